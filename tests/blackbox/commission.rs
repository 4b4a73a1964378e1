//! A turnout of the demo commissioned in the terminal: plain lines in, plain lines out, against the running daemon.

mod support;

use std::{
    io::{BufRead, BufReader, Write},
    process::{Child, ChildStdin, Command, Stdio},
    sync::mpsc::{Receiver, RecvTimeoutError, channel},
    time::{Duration, Instant},
};

use support::{CHECKRAIL, daemon::Daemon};

const LAYOUT: &str = concat!(env!("CARGO_MANIFEST_DIR"), "/../../config/tamarrow-valley.toml");
/// Longest wait for a line. A throw lasts three seconds, and a train may stand in the way of the first try.
const PATIENCE: Duration = Duration::from_secs(30);

/// The command in a talk.
struct Talk {
    child: Child,
    keys: ChildStdin,
    lines: Receiver<String>,
    said: Vec<String>,
}

impl Talk {
    fn start(daemon: &Daemon, machine: &str) -> Self {
        let mut command = command(&daemon.address, &[machine, "--who", "Ines"]);
        command.env("CHECKRAIL_TOKEN", &daemon.token).env("TERM", "dumb");
        let mut child =
            command.stdin(Stdio::piped()).stdout(Stdio::piped()).spawn().expect("it starts");
        let out = child.stdout.take().expect("piped");
        let (sender, lines) = channel();
        std::thread::spawn(move || {
            for line in BufReader::new(out).lines().map_while(Result::ok) {
                // The test may have ended.
                let _ = sender.send(line);
            }
        });
        let keys = child.stdin.take().expect("piped");
        Self { child, keys, lines, said: Vec::new() }
    }

    fn key(&mut self, key: &str) {
        writeln!(self.keys, "{key}").expect("it listens");
    }

    /// Waits for a line, and returns it.
    fn hear(&mut self, wanted: &str) -> String {
        let until = Instant::now() + PATIENCE;
        self.hear_until(wanted, until)
            .unwrap_or_else(|| panic!("never said `{wanted}`:\n{}", self.said.join("\n")))
    }

    fn hear_until(&mut self, wanted: &str, until: Instant) -> Option<String> {
        loop {
            match self.lines.recv_timeout(until.saturating_duration_since(Instant::now())) {
                Ok(line) => {
                    self.said.push(line.clone());
                    if line.contains(wanted) {
                        return Some(line);
                    }
                }
                Err(RecvTimeoutError::Timeout | RecvTimeoutError::Disconnected) => return None,
            }
        }
    }

    /// Chooses what is offered under these words.
    fn choose(&mut self, label: &str) {
        self.key("r");
        // A heading may hold the same words.
        let mut line = self.hear(label);
        while !is_offer(&line, label) {
            line = self.hear(label);
        }
        self.key(&number(&line));
    }

    /// Restores the district, again while a contact is still warm from the trains that stood there.
    fn restore(&mut self) {
        for _ in 0..20 {
            self.key("w");
            if self
                .hear_until("Power is coming on", Instant::now() + Duration::from_secs(1))
                .is_some()
            {
                return;
            }
        }
        panic!("never restored:\n{}", self.said.join("\n"));
    }

    /// What is offered, each with its number.
    fn offers(&mut self) -> Vec<String> {
        // What was said before has been looked at.
        while let Ok(line) = self.lines.try_recv() {
            self.said.push(line);
        }
        let before = self.said.len();
        self.key("r");
        self.hear("Leave commissioning");
        self.said[before..].to_vec()
    }

    /// Throws until the next words come: again where a train is in the way, and where readings came so late from a busy
    /// machine that the throw was judged wrong.
    fn throw(&mut self, to: &str, then: &str) {
        let from = if to == "normal" { "reverse" } else { "normal" };
        let ways =
            [format!("Throw to {to}"), "Mended, test again".into(), format!("Throw to {from}")];
        for _ in 0..12 {
            let offered = self.offers();
            let way = ways.iter().find_map(|way| offered.iter().find(|it| is_offer(it, way)));
            let Some(way) = way else { continue };
            self.key(&number(way));
            if self.hear_until(then, Instant::now() + Duration::from_secs(9)).is_some() {
                return;
            }
        }
        panic!("never `{then}`:\n{}", self.said.join("\n"));
    }
}

/// A line that offers an act under these words: its number, then the words.
fn is_offer(line: &str, words: &str) -> bool {
    let offer = line.trim_start().split_once(' ');
    offer.is_some_and(|(key, said)| key.parse::<u32>().is_ok() && said.contains(words))
}

impl Drop for Talk {
    fn drop(&mut self) {
        // Ended already where the test ended it.
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

/// The number before an offer.
fn number(offer: &str) -> String {
    offer.split_whitespace().next().expect("a number").to_owned()
}

fn command(address: &str, args: &[&str]) -> Command {
    let mut command = Command::new(CHECKRAIL);
    command.args(["commission", LAYOUT, "--at", address]).args(args).env_remove("CHECKRAIL_TOKEN");
    command
}

/// Output of the command that ends by itself: status, standard output, standard error.
fn ended(address: &str, args: &[&str]) -> (i32, String, String) {
    let output = command(address, args).stdin(Stdio::null()).output().expect("it runs");
    let text = |bytes: &[u8]| String::from_utf8_lossy(bytes).into_owned();
    (output.status.code().unwrap_or(-1), text(&output.stdout), text(&output.stderr))
}

#[test]
fn a_turnout_of_the_demo_is_commissioned_in_a_dumb_terminal() {
    let folder = tempfile::tempdir().expect("a folder");
    let daemon = Daemon::demo(folder.path(), &["--faults", "off"]);
    let mut talk = Talk::start(&daemon, "t9");
    talk.hear("T9, step 1 of 7: Find T9 under the table");
    talk.choose("I am at T9");
    talk.hear("step 2 of 7");
    talk.throw("reverse", "Ready to throw");
    talk.throw("normal", "step 3 of 7");
    talk.throw("reverse", "step 4 of 7");
    talk.hear("Frog matches at reverse");
    talk.throw("normal", "step 5 of 7");
    talk.choose("Skip: the contact");
    talk.hear("Because");
    talk.key("no meter here");
    talk.hear("step 6 of 7");
    talk.choose("Cut quarry now");
    talk.hear("Sure?");
    talk.key("y");
    talk.hear("w Restore its district");
    talk.restore();
    talk.choose("Skip: the coin test");
    talk.hear("Because");
    talk.key("another day");
    talk.hear("step 7 of 7");
    talk.choose("Sign off");
    talk.hear("Initials");
    talk.key("IH");
    talk.hear("T9: commissioning passed, proved");
    assert!(talk.child.wait().expect("it ends").success());
    let said = talk.said.join("\n");
    assert!(!said.contains('\u{1b}'), "no colour, no cursor: {said}");
    let (status, list, _) = ended(&daemon.address, &["--list"]);
    assert_eq!(status, 0, "{list}");
    let line = list.lines().find(|it| it.starts_with("T9 ")).expect("T9 is listed");
    assert!(line.contains("proved 20") && line.ends_with("by IH"), "{line}");
    assert!(list.contains("1 of 16 machines proved"), "{list}");
}

#[test]
fn a_restart_keeps_what_was_proved_and_an_open_session() {
    let folder = tempfile::tempdir().expect("a folder");
    let daemon = Daemon::demo(folder.path(), &["--faults", "off"]);
    let step = |daemon: &Daemon, body: &str| {
        let (status, answer) = daemon.http("POST", "/api/v1/commission", Some(&daemon.token), body);
        assert_eq!(status, 200, "{answer}");
    };
    step(&daemon, r#"{"machine":"T9","do":"begin"}"#);
    step(&daemon, r#"{"machine":"T9","do":"next"}"#);
    step(&daemon, r#"{"machine":"T9","do":"skip","reason":"seen at the bench"}"#);
    let until = Instant::now() + PATIENCE;
    let database = daemon.data.join("history.db");
    while !database.exists() && Instant::now() < until {
        std::thread::yield_now();
    }
    assert!(daemon.terminate().success());
    let daemon = Daemon::demo(folder.path(), &["--faults", "off"]);
    let known = daemon.json("/api/v1/commission/T9");
    assert_eq!(known["session"]["number"], 3, "{known}");
    assert_eq!(known["session"]["results"][1]["detail"], "seen at the bench");
}

#[test]
fn without_a_daemon_or_a_token_it_says_what_to_do() {
    let port = support::broker::free_port();
    let nowhere = format!("127.0.0.1:{port}");
    let (status, _, said) = ended(&nowhere, &["--list"]);
    assert_eq!(status, 2);
    assert!(said.contains("no daemon answers at") && said.contains("checkrail run"), "{said}");
    let (status, _, said) = ended(&nowhere, &["T9"]);
    assert_eq!(status, 2);
    assert!(said.contains("CHECKRAIL_TOKEN"), "{said}");
}
