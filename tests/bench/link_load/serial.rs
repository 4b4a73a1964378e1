//! The line protocol over a pseudo-terminal: five nodes in the background and one whose districts are shorted.

use std::{
    fs::File,
    io::{BufRead, BufReader, Write},
    os::fd::AsFd,
    sync::{
        Arc, Mutex,
        atomic::{AtomicBool, Ordering},
        mpsc,
    },
    thread,
    time::{Duration, Instant},
};

use links::clp::crc::crc;

use super::{CHANNELS, Daemon, EVENTS, HERTZ, NODES, Run, SPACING, layout, schedule};

/// Districts of one node; its outputs are numbered from here.
const DISTRICTS: usize = 100;
/// Address of the last node. Those whose districts are shorted come after those of the background.
const LAST: usize = NODES + EVENTS.div_ceil(DISTRICTS);

pub(crate) fn run() -> Run {
    let floor = echo();
    let folder = tempfile::tempdir().expect("a folder");
    let (wire, device) = Wire::open();
    let links = format!("[links.serial.bench]\ndevice = \"{device}\"");
    let daemon = Daemon::run(folder.path(), &layout(&links));
    let (ours, processor) = cuts(&wire, &daemon);
    Run { floor, ours, processor }
}

/// The nodes' end of a pseudo-terminal, shared by all that write.
#[derive(Clone)]
struct Wire {
    master: Arc<Mutex<File>>,
    seq: Arc<Mutex<[u16; LAST + 1]>>,
    /// Held open, so that the line stands before the program opens it.
    _slave: Arc<File>,
}

impl Wire {
    fn open() -> (Self, String) {
        let pair = nix::pty::openpty(None, None).expect("a pseudo-terminal");
        let mut settings = nix::sys::termios::tcgetattr(pair.slave.as_fd()).expect("its settings");
        nix::sys::termios::cfmakeraw(&mut settings);
        let now = nix::sys::termios::SetArg::TCSANOW;
        nix::sys::termios::tcsetattr(pair.slave.as_fd(), now, &settings).expect("set");
        let device = nix::unistd::ttyname(&pair.slave).expect("its name");
        let wire = Self {
            master: Arc::new(Mutex::new(File::from(pair.master))),
            seq: Arc::new(Mutex::new([0; LAST + 1])),
            _slave: Arc::new(File::from(pair.slave)),
        };
        (wire, device.to_string_lossy().into_owned())
    }

    fn reader(&self) -> BufReader<File> {
        let master = self.master.lock().expect("not poisoned");
        BufReader::new(master.try_clone().expect("a second handle"))
    }

    fn says(&self, addr: usize, body: &str) {
        let mut seq = self.seq.lock().expect("not poisoned");
        let text = format!("@{addr:02X}:{:04X} {body}", seq[addr]);
        seq[addr] = seq[addr].wrapping_add(1);
        let line = format!("{text}*{:04X}\r\n", crc(text.as_bytes()));
        let mut master = self.master.lock().expect("not poisoned");
        master.write_all(line.as_bytes()).expect("written");
    }

    /// Hello and table of a node.
    fn introduces(&self, addr: usize, rows: &[String]) {
        let hello = format!("HI clp=1-1 id=n{addr} boot=9C41 ch={} cmd=4 deadman=1000", rows.len());
        self.says(addr, &hello);
        rows.iter().for_each(|row| self.says(addr, row));
        let check = crc(rows.join("\n").as_bytes());
        self.says(addr, &format!("CE {} {check:04X}", rows.len()));
    }
}

fn rows(addr: usize) -> Vec<String> {
    if let Some(first) = addr.checked_sub(NODES + 1).map(|it| it * DISTRICTS) {
        let own = 0..DISTRICTS.min(EVENTS - first);
        let inputs =
            own.clone().map(|at| format!("CH {at} cur A 0.001 20 district/d{}", first + at));
        let outputs =
            own.map(|at| format!("CH {} out - 1 0 district/d{}", DISTRICTS + at, first + at));
        return inputs.chain(outputs).collect();
    }
    let row = |it| format!("CH {it} cur A 0.001 {HERTZ} block/n{}c{it}", addr - 1);
    (0..CHANNELS).map(row).collect()
}

/// Writes what the background nodes measure, until told to stop.
fn background(wire: &Wire, stop: &Arc<AtomicBool>) -> thread::JoinHandle<()> {
    let (wire, stop) = (wire.clone(), Arc::clone(stop));
    thread::spawn(move || {
        let start = Instant::now();
        for number in 0_u32.. {
            let due = start + Duration::from_secs(1) / HERTZ * number;
            thread::sleep(due.saturating_duration_since(Instant::now()));
            if stop.load(Ordering::Relaxed) {
                return;
            }
            let values = vec![(10 + number % 7).to_string(); CHANNELS].join(" ");
            let ms = number * (1000 / HERTZ);
            for addr in 1..=NODES {
                wire.says(addr, &format!("RD {ms} 0 {values}"));
            }
            if number % 50 == 0 {
                (1..=LAST).for_each(|addr| wire.says(addr, &format!("HB {ms} 9C41 900 0 0")));
            }
        }
    })
}

/// A far end that reads everything and writes each question back.
fn echo() -> Vec<Duration> {
    let (wire, device) = Wire::open();
    let far = File::options().read(true).write(true).open(device).expect("opened");
    let mut back = far.try_clone().expect("a second handle");
    thread::spawn(move || {
        for line in BufReader::new(far).lines().map_while(Result::ok) {
            if line.contains("ASK") && writeln!(back, "{line}").is_err() {
                return;
            }
        }
    });
    let stop = Arc::new(AtomicBool::new(false));
    let background = background(&wire, &stop);
    let mut reader = wire.reader();
    let mut times = Vec::new();
    for event in 0..EVENTS {
        let sent = Instant::now();
        wire.says(LAST, &format!("ASK {event}"));
        let mut line = String::new();
        reader.read_line(&mut line).expect("read");
        times.push(sent.elapsed());
        thread::sleep(SPACING);
    }
    stop.store(true, Ordering::Relaxed);
    background.join().expect("it ended");
    times
}

/// Answers whatever the host says; orders and the beginning of sessions are told.
fn answer(wire: Wire) -> mpsc::Receiver<(Instant, Option<usize>)> {
    let (sender, receiver) = mpsc::channel();
    let reader = wire.reader();
    thread::spawn(move || {
        for line in reader.lines().map_while(Result::ok) {
            let at = Instant::now();
            let Some((head, body)) = line.strip_prefix('#').and_then(|it| it.split_once(' '))
            else {
                continue;
            };
            let (addr, seq) = head.split_once(':').unwrap_or(("00", "0000"));
            let addr = usize::from_str_radix(addr, 16).unwrap_or(0);
            let mut words = body.split([' ', '*']);
            let told = match words.next() {
                Some("HI") if addr == 0 => {
                    (1..=LAST).for_each(|addr| wire.introduces(addr, &rows(addr)));
                    continue;
                }
                Some("GO") => None,
                Some("CUT") => {
                    let channel = words.next().and_then(|it| it.parse::<usize>().ok());
                    let own = channel.and_then(|it| it.checked_sub(DISTRICTS));
                    let first = addr.checked_sub(NODES + 1).map(|it| it * DISTRICTS);
                    own.zip(first).map(|(own, first)| first + own)
                }
                _ => continue,
            };
            if (1..=LAST).contains(&addr) {
                wire.says(addr, &format!("AK {seq} OK"));
            }
            if sender.send((at, told)).is_err() {
                return;
            }
        }
    });
    receiver
}

fn cuts(wire: &Wire, daemon: &Daemon) -> (Vec<Duration>, f64) {
    let heard = answer(wire.clone());
    for _ in 1..=LAST {
        heard.recv_timeout(Duration::from_secs(20)).expect("a session with every node");
    }
    let stop = Arc::new(AtomicBool::new(false));
    let background = background(wire, &stop);
    thread::sleep(Duration::from_secs(1));
    let processor = daemon.processor();
    let mut sent: Vec<Option<Instant>> = vec![None; EVENTS];
    let mut times = Vec::new();
    let mut take = |(at, district): (Instant, Option<usize>), sent: &mut Vec<Option<Instant>>| {
        let sent = district.and_then(|it| sent.get_mut(it)?.take());
        times.extend(sent.map(|sent| at.saturating_duration_since(sent)));
    };
    let start = Instant::now();
    for (at, step) in schedule() {
        thread::sleep((start + at).saturating_duration_since(Instant::now()));
        if step.decides {
            sent[step.district] = Some(Instant::now());
        }
        let ms = 1000 + at.as_millis();
        let (node, channel) = (step.district / DISTRICTS, step.district % DISTRICTS);
        wire.says(NODES + 1 + node, &format!("RD {ms} {channel} {}", step.milliamps));
        while let Ok(it) = heard.try_recv() {
            take(it, &mut sent);
        }
    }
    let share = processor.share();
    while let Ok(it) = heard.recv_timeout(Duration::from_secs(1)) {
        take(it, &mut sent);
    }
    stop.store(true, Ordering::Relaxed);
    background.join().expect("it ended");
    (times, share)
}
