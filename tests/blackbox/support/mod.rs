//! Drives the built program as another program would.
#![allow(dead_code, unreachable_pub, reason = "each test file uses its own part")]

pub mod adapter;
pub mod broker;
pub mod daemon;
pub mod node;
pub mod pty;
pub mod session;
pub mod wired;

use std::{
    io::{BufRead, BufReader, Write},
    path::{Path, PathBuf},
    process::{Child, ChildStdin, ChildStdout, Command, Output, Stdio},
};

use serde_json::{Value, json};

/// The program under test.
pub const CHECKRAIL: &str = env!("CARGO_BIN_EXE_checkrail");

/// A file of the tests' folder.
pub fn fixture(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("../../tests").join(name)
}

/// A file of the project.
pub fn project(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("../..").join(name)
}

/// Runs the program to its end.
pub fn checkrail(args: &[&str]) -> Output {
    Command::new(CHECKRAIL).args(args).stdin(Stdio::null()).output().expect("the program starts")
}

/// Standard output as text.
pub fn text(output: &Output) -> String {
    String::from_utf8(output.stdout.clone()).expect("output is UTF-8")
}

/// A replay in lockstep: the test closes the loop.
pub struct Lockstep {
    child: Child,
    input: Option<ChildStdin>,
    output: BufReader<ChildStdout>,
    lines: u64,
    /// Everything that was said so far.
    pub said: Vec<Value>,
}

impl Lockstep {
    /// Starts a replay of `layout`.
    pub fn start(layout: &Path) -> Self {
        let mut child = Command::new(CHECKRAIL)
            .arg("replay")
            .arg(layout)
            .args(["-", "--lockstep"])
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .stderr(Stdio::null())
            .spawn()
            .expect("the program starts");
        let input = child.stdin.take();
        let output = BufReader::new(child.stdout.take().expect("piped"));
        Self { child, input, output, lines: 0, said: Vec::new() }
    }

    /// Sends one reading and returns what it caused.
    pub fn send(&mut self, t: f64, channel: &str, value: impl Into<Value>) -> Vec<Value> {
        self.send_line(&json!({"t": t, "channel": channel, "value": value.into()}).to_string())
    }

    /// Sends one line as it stands and returns what it caused.
    pub fn send_line(&mut self, line: &str) -> Vec<Value> {
        let input = self.input.as_mut().expect("not ended");
        writeln!(input, "{line}").expect("the program reads");
        input.flush().expect("the program reads");
        self.lines += 1;
        let mut caused = Vec::new();
        loop {
            let mut answer = String::new();
            let read = self.output.read_line(&mut answer).expect("output is UTF-8");
            assert!(read > 0, "the program ended after line {}", self.lines);
            let answer: Value = serde_json::from_str(&answer).expect("nothing but JSON lines");
            if let Some(done) = answer.get("done") {
                assert_eq!(*done, json!(self.lines), "lines are counted from 1");
                break;
            }
            caused.push(answer);
        }
        self.said.extend(caused.iter().cloned());
        caused
    }

    /// Ends the input and returns what the end caused.
    pub fn end(mut self) -> Vec<Value> {
        drop(self.input.take());
        let mut rest = Vec::new();
        for line in std::io::BufRead::lines(&mut self.output) {
            let line = line.expect("output is UTF-8");
            rest.push(serde_json::from_str(&line).expect("nothing but JSON lines"));
        }
        let status = self.child.wait().expect("the program ends");
        assert!(status.success(), "{status}");
        self.said.extend(rest);
        std::mem::take(&mut self.said)
    }
}

impl Drop for Lockstep {
    fn drop(&mut self) {
        // Ended already where the test ran to its end.
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

/// The orders among what was said.
pub fn orders(said: &[Value]) -> Vec<(f64, String, String, String)> {
    said.iter()
        .filter(|line| line.get("order").is_some())
        .map(|line| {
            let word = |key: &str| line[key].as_str().unwrap_or_default().to_owned();
            (line["t"].as_f64().expect("t"), word("order"), word("value"), word("cause"))
        })
        .collect()
}

/// The alarms raised among what was said: kind and subject.
pub fn raised(said: &[Value]) -> Vec<(String, String)> {
    said.iter()
        .filter(|line| line["state"] == "raised" && line.get("alarm").is_some())
        .map(|line| {
            let word = |key: &str| line[key].as_str().unwrap_or_default().to_owned();
            (word("alarm"), word("subject"))
        })
        .collect()
}
