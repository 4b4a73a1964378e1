//! Nodes of the test's own on a wire: one that speaks the line protocol, and a Modbus gateway.

use std::{
    fs::File,
    io::{Read, Write},
    net::{TcpListener, TcpStream},
    time::{Duration, Instant},
};

/// A node on the far end of a serial line: it introduces itself, and once a session stands it measures 0.812 A and says
/// now and then what nobody can use. It lives as long as the line.
pub fn line_node(line: File) {
    std::thread::spawn(move || LineNode { line, seq: 0 }.live());
}

struct LineNode {
    line: File,
    seq: u16,
}

/// Worked lines of the contract's line-protocol.md, with this layout's names.
const TABLE: [&str; 3] = [
    "CH 0 cur A 0.001 50 district/east",
    "CH 1 pos - 1 0 machine/T1",
    "CH 2 out - 1 0 district/east",
];

impl LineNode {
    fn live(mut self) {
        let mut heard = String::new();
        let mut bytes = [0; 256];
        loop {
            match self.line.read(&mut bytes) {
                Ok(count) => heard.push_str(&String::from_utf8_lossy(&bytes[..count])),
                // The program has the terminal not open yet.
                Err(_) => std::thread::sleep(Duration::from_millis(5)),
            }
            while let Some((line, rest)) = heard.split_once('\n') {
                let line = line.to_owned();
                heard = rest.to_owned();
                self.answer(&line);
            }
        }
    }

    fn answer(&mut self, line: &str) {
        if line.contains(" HI ") {
            self.says("HI clp=1-1 id=bench fw=1 boot=9C41 ch=3 cmd=4 deadman=1000");
            TABLE.iter().for_each(|row| self.says(row));
            self.says(&format!("CE 3 {:04X}", links::clp::crc::crc(TABLE.join("\n").as_bytes())));
        } else if let Some((command, _)) = line.split_once(" GO ") {
            let number = command.rsplit(':').next().unwrap_or("0000").to_owned();
            self.says(&format!("AK {number} OK"));
            let (mut other, mut line) = (self.line.try_clone().expect("a handle"), self.seq);
            std::thread::spawn(move || {
                // By its own clock: on a busy machine a step takes longer.
                let started = Instant::now();
                for step in 0..1000 {
                    let ms = 1000 + started.elapsed().as_millis();
                    let body = match step {
                        0 => format!("ST {ms} 1=N 2=0"),
                        25 => format!("RD {ms} 7 1"),
                        step if step % 25 == 1 => format!("HB {ms} 9C41 0 0 0"),
                        _ => format!("RD {ms} 0 812"),
                    };
                    if write(&mut other, line, &body).is_err() {
                        return;
                    }
                    line = line.wrapping_add(1);
                    std::thread::sleep(Duration::from_millis(20));
                }
            });
        }
    }

    fn says(&mut self, body: &str) {
        // The program closed it.
        let _ = write(&mut self.line, self.seq, body);
        self.seq = self.seq.wrapping_add(1);
    }
}

fn write(line: &mut File, seq: u16, body: &str) -> std::io::Result<()> {
    let text = format!("@01:{seq:04X} {body}");
    line.write_all(format!("{text}*{:04X}\r\n", links::clp::crc::crc(text.as_bytes())).as_bytes())
}

/// A Modbus gateway: unit 1 has 812 in every register it has, addresses 0 to 9; nobody else is there.
pub fn modbus_gateway(listener: TcpListener) {
    std::thread::spawn(move || {
        for stream in listener.incoming().map_while(Result::ok) {
            std::thread::spawn(move || serve(stream));
        }
    });
}

/// MODBUS Messaging on TCP/IP V1.0b, section 3.1.3: transaction, protocol, length, unit; then the question.
fn serve(mut stream: TcpStream) {
    let mut head = [0; 12];
    while stream.read_exact(&mut head).is_ok() {
        let word = |at: usize| usize::from(u16::from_be_bytes([head[at], head[at + 1]]));
        let (unit, function, first, count) = (head[6], head[7], word(8), word(10));
        if unit != 1 {
            continue;
        }
        let mut body = vec![unit];
        if first + count <= 10 {
            body.extend([function, u8::try_from(2 * count).expect("few")]);
            body.extend(std::iter::repeat_n(812_u16.to_be_bytes(), count).flatten());
        } else {
            body.extend([function | 0x80, 2]);
        }
        let mut answer = head[..4].to_vec();
        answer.extend(u16::try_from(body.len()).expect("short").to_be_bytes());
        answer.extend(body);
        if stream.write_all(&answer).is_err() {
            return;
        }
    }
}
