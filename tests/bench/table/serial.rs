//! The line protocol over a pseudo-terminal: nodes on its far end bring the events about, and hear the orders.

use std::{
    fs::{self, File},
    io::{BufRead, BufReader, Write},
    ops::Range,
    os::fd::{AsRawFd, OwnedFd},
    sync::{
        Arc, Mutex, PoisonError,
        atomic::{AtomicBool, Ordering},
        mpsc,
    },
    thread,
    time::{Duration, Instant},
};

use links::clp::crc::crc;

use crate::{Plan, events, latency, latency::Measured, roles, support::process::Process, yard};

/// Events' districts of one node: as many currents, then as many outputs.
const DISTRICTS: usize = 100;
/// Other currents of one node.
const BLOCKS: usize = 200;
/// Address of the first node with other currents.
const OTHERS: usize = 0x40;
const PATIENCE: Duration = Duration::from_secs(20);

/// Measures one process of this kind.
pub(crate) fn measure(plan: &Plan, checkrail: bool, into: &mut Measured) {
    let work = tempfile::tempdir().expect("a folder");
    let pair = nix::pty::openpty(None, None).expect("a pseudo-terminal");
    let path = name(&pair.slave);
    let far = Far::new(File::from(pair.master), 2 * plan.events);
    let process = if checkrail {
        let links = format!("[links.serial.bench]\ndevice = \"{path}\"\nbaud = 921600");
        latency::checkrail(work.path(), 2 * plan.events, &links)
    } else {
        roles::start("pty-floor", &[&path])
    };
    if far.is_met(checkrail) {
        run(plan, &far, &process, into);
    } else {
        eprintln!("serial line: nobody there");
    }
    far.over.store(true, Ordering::Relaxed);
    drop(process);
}

fn name(slave: &OwnedFd) -> String {
    let link = format!("/proc/self/fd/{}", slave.as_raw_fd());
    fs::read_link(link).expect("its name").to_string_lossy().into_owned()
}

fn run(plan: &Plan, far: &Far, process: &Process, into: &mut Measured) {
    thread::sleep(Duration::from_secs(4));
    let rest = process.meter();
    thread::sleep(plan.rest);
    into.at_rest.push(rest.percent(process));
    into.quiet.add(&far.drive(0..plan.events), plan.events);
    far.busy.store(true, Ordering::Relaxed);
    thread::sleep(Duration::from_secs(1));
    let work = process.meter();
    thread::sleep(plan.rest);
    into.at_work.push(work.percent(process));
    let shorts = process.meter();
    into.loaded.add(&far.drive(plan.events..2 * plan.events), plan.events);
    into.at_shorts.push(shorts.percent(process));
    into.resident = into.resident.max(process.resident());
}

/// The far end.
struct Far {
    wire: Arc<Wire>,
    /// Orders: when, and of which district.
    cuts: mpsc::Receiver<(Instant, usize)>,
    /// Nodes whose session began; the first word of whoever is there is node 0.
    met: mpsc::Receiver<usize>,
    nodes: usize,
    busy: Arc<AtomicBool>,
    over: Arc<AtomicBool>,
}

/// The wire of all nodes, and their counters.
struct Wire {
    out: Mutex<(File, Vec<u16>)>,
    began: Instant,
    tables: Vec<(usize, Vec<String>)>,
}

impl Far {
    fn new(master: File, districts: usize) -> Self {
        let tables = tables(districts);
        let nodes = tables.len();
        let reader = BufReader::new(master.try_clone().expect("a second handle"));
        let out = Mutex::new((master, vec![0; 256]));
        let wire = Arc::new(Wire { out, began: Instant::now(), tables });
        let (order, cuts) = mpsc::channel();
        let (meet, met) = mpsc::channel();
        let (busy, over) = (Arc::new(AtomicBool::new(false)), Arc::new(AtomicBool::new(false)));
        let hearing = Arc::clone(&wire);
        thread::spawn(move || {
            for line in reader.lines().map_while(Result::ok) {
                hearing.heard(&line, Instant::now(), &order, &meet);
            }
        });
        let (speaking, load, end) = (Arc::clone(&wire), Arc::clone(&busy), Arc::clone(&over));
        thread::spawn(move || speaking.goes_on(&load, &end));
        Self { wire, cuts, met, nodes, busy, over }
    }

    /// Somebody is there; the program has a session with every node.
    fn is_met(&self, sessions: bool) -> bool {
        let wanted = if sessions { self.nodes } else { 1 };
        (0..wanted).all(|_| self.met.recv_timeout(PATIENCE).is_ok())
    }

    fn drive(&self, districts: Range<usize>) -> Vec<Duration> {
        let mut sent = vec![None; districts.end];
        let start = Instant::now();
        for step in events::steps(districts.clone()) {
            thread::sleep((start + step.at).saturating_duration_since(Instant::now()));
            if step.decides {
                sent[step.district] = Some(Instant::now());
            }
            self.reads(step.district, step.milliamps);
        }
        let mut times = Vec::new();
        let until = Instant::now() + events::LATEST;
        while times.len() < districts.len()
            && let left = until.saturating_duration_since(Instant::now())
            && let Ok((at, district)) = self.cuts.recv_timeout(left)
        {
            let sent = sent.get_mut(district).and_then(Option::take);
            times.extend(sent.map(|sent| at.saturating_duration_since(sent)));
        }
        for _ in 0..events::PROOFS {
            districts.clone().for_each(|it| self.reads(it, 0));
            thread::sleep(events::BETWEEN_PROOFS);
        }
        times
    }

    fn reads(&self, district: usize, milliamps: u16) {
        let ms = self.wire.began.elapsed().as_millis();
        let (node, channel) = (1 + district / DISTRICTS, district % DISTRICTS);
        self.wire.says(node, &format!("RD {ms} {channel} {milliamps}"));
    }
}

impl Wire {
    fn says(&self, node: usize, body: &str) {
        let mut out = self.out.lock().unwrap_or_else(PoisonError::into_inner);
        let (file, counters) = &mut *out;
        let text = format!("@{node:02X}:{:04X} {body}", counters[node]);
        counters[node] = counters[node].wrapping_add(1);
        // A line that was closed at the end takes no more.
        let _ = file.write_all(format!("{text}*{:04X}\r\n", crc(text.as_bytes())).as_bytes());
    }

    /// A line to the nodes.
    fn heard(
        &self,
        line: &str,
        at: Instant,
        order: &mpsc::Sender<(Instant, usize)>,
        meet: &mpsc::Sender<usize>,
    ) {
        let Some((head, body)) = line.strip_prefix('#').and_then(|it| it.split_once(' ')) else {
            return;
        };
        let Some((node, seq)) = head.split_once(':') else { return };
        let node = usize::from_str_radix(node, 16).unwrap_or(0);
        let body = body.split('*').next().unwrap_or_default();
        let mut words = body.split(' ');
        match (words.next().unwrap_or_default(), words.next()) {
            ("HI", _) => {
                // The bare loop says it too, and wants no more than to be heard.
                let _ = meet.send(0);
                self.tables.iter().for_each(|(node, rows)| self.introduces(*node, rows));
            }
            ("PM", _) => {}
            ("CUT", Some(channel)) => {
                let channel: usize = channel.parse().unwrap_or(0);
                // Nobody listens between two measurements.
                let _ = order.send((at, (node - 1) * DISTRICTS + channel - DISTRICTS));
                self.says(node, &format!("AK {seq} OK"));
            }
            (word, _) => {
                self.says(node, &format!("AK {seq} OK"));
                if word == "GO" {
                    let _ = meet.send(node);
                }
            }
        }
    }

    fn introduces(&self, node: usize, rows: &[String]) {
        let channels = rows.len();
        self.says(
            node,
            &format!("HI clp=1-1 id=node-{node} boot=9C41 ch={channels} cmd=4 deadman=1000"),
        );
        rows.iter().for_each(|row| self.says(node, row));
        self.says(node, &format!("CE {channels} {:04X}", crc(rows.join("\n").as_bytes())));
    }

    /// Signs of life twice a second, and the other readings when they are wanted.
    fn goes_on(&self, busy: &AtomicBool, over: &AtomicBool) {
        const MILLISECOND: Duration = Duration::from_millis(1);
        let blocks: Vec<(usize, usize)> = self
            .tables
            .iter()
            .filter(|(node, _)| OTHERS <= *node)
            .flat_map(|(node, rows)| (0..rows.len()).map(|channel| (*node, channel)))
            .collect();
        let (mut sent, mut since, mut beat) = (0_usize, None, Instant::now());
        while !over.load(Ordering::Relaxed) {
            thread::sleep(MILLISECOND);
            let ms = self.began.elapsed().as_millis();
            if beat.elapsed() > Duration::from_millis(400) {
                beat = Instant::now();
                let nodes = self.tables.iter().map(|(node, _)| *node);
                nodes.for_each(|it| self.says(it, &format!("HB {ms} 9C41 1000 0 0")));
            }
            if !busy.load(Ordering::Relaxed) {
                continue;
            }
            let since = *since.get_or_insert_with(Instant::now);
            while sent < since.elapsed().as_millis() as usize * 5 {
                let (node, channel) = blocks[sent % blocks.len()];
                let amps = yard::amps(sent % blocks.len(), sent as u64);
                self.says(node, &format!("RD {ms} {channel} {}", (amps * 1e3).round()));
                sent += 1;
            }
        }
    }
}

/// Every node and the rows of its table.
fn tables(districts: usize) -> Vec<(usize, Vec<String>)> {
    let all: Vec<usize> = (0..districts).collect();
    let events = all.chunks(DISTRICTS).enumerate().map(|(nth, part)| {
        let currents = part.iter().enumerate();
        let currents = currents.map(|(at, it)| format!("CH {at} cur A 0.001 50 district/d{it}"));
        let outputs = part.iter().enumerate();
        let outputs =
            outputs.map(|(at, it)| format!("CH {} out - 1 0 district/d{it}", at + DISTRICTS));
        (1 + nth, currents.chain(outputs).collect())
    });
    let blocks = yard::blocks();
    let others = blocks.chunks(BLOCKS).enumerate().map(|(nth, part)| {
        let rows = part.iter().enumerate();
        let rows = rows.map(|(at, it)| format!("CH {at} cur A 0.001 50 block/{it}"));
        (OTHERS + nth, rows.collect())
    });
    events.chain(others).collect()
}
