//! The daemon as a child process, with what it says of itself.

use std::{
    io::{BufRead, BufReader, Read, Write},
    net::TcpStream,
    path::{Path, PathBuf},
    process::{Child, Command, ExitStatus, Stdio},
    sync::mpsc,
    time::{Duration, Instant},
};

use super::CHECKRAIL;

/// A running `checkrail run` or `checkrail demo`.
pub struct Daemon {
    child: Child,
    /// `127.0.0.1:PORT` of the dashboard.
    pub address: String,
    /// The operator token.
    pub token: String,
    /// Folder of its history.
    pub data: PathBuf,
    /// What it said until it had told where it is.
    pub start: Vec<String>,
    lines: mpsc::Receiver<String>,
}

impl Daemon {
    /// Starts `run` on a layout text.
    pub fn run(folder: &Path, layout: &str) -> Self {
        let path = folder.join("layout.toml");
        std::fs::write(&path, layout).expect("layout written");
        let data = folder.join("data");
        let mut command = Command::new(CHECKRAIL);
        command.arg("run").arg(&path).args(["--listen", "127.0.0.1:0", "--data"]).arg(&data);
        Self::spawn(command, data)
    }

    /// Starts `demo`.
    pub fn demo(folder: &Path, args: &[&str]) -> Self {
        let data = folder.join("data");
        let mut command = Command::new(CHECKRAIL);
        command.arg("demo").args(["--listen", "127.0.0.1:0", "--data"]).arg(&data).args(args);
        Self::spawn(command, data)
    }

    fn spawn(mut command: Command, data: PathBuf) -> Self {
        command.env("CHECKRAIL_LOG", "info,rumqttd=off").stdin(Stdio::null());
        let mut child = command
            .stdout(Stdio::piped())
            .stderr(Stdio::piped())
            .spawn()
            .expect("the program starts");
        let (sender, lines) = mpsc::channel();
        let streams: [Box<dyn Read + Send>; 2] = [
            Box::new(child.stdout.take().expect("piped")),
            Box::new(child.stderr.take().expect("piped")),
        ];
        for stream in streams {
            let sender = sender.clone();
            std::thread::spawn(move || {
                for line in BufReader::new(stream).lines().map_while(Result::ok) {
                    // Nobody listens after the start; the pipe is drained all the same.
                    let _ = sender.send(line);
                }
            });
        }
        let (mut address, mut token) = (None, None);
        let until = Instant::now() + Duration::from_secs(20);
        let mut start = Vec::new();
        while address.is_none() || token.is_none() {
            let left = until.saturating_duration_since(Instant::now());
            let Ok(line) = lines.recv_timeout(left) else {
                panic!("the program did not say where it is: {}", start.join("\n"));
            };
            if let Some((_, rest)) = line.split_once("http://") {
                address = Some(rest.split('/').next().unwrap_or_default().to_owned());
            }
            if let Some((_, rest)) = line.split_once("operator token") {
                token = rest.rsplit(' ').next().map(str::to_owned);
            }
            start.push(line);
        }
        Self {
            child,
            address: address.unwrap_or_default(),
            token: token.unwrap_or_default(),
            data,
            start,
            lines,
        }
    }

    /// Its process.
    pub fn pid(&self) -> nix::unistd::Pid {
        nix::unistd::Pid::from_raw(self.child.id().cast_signed())
    }

    /// Sends it a signal.
    pub fn signal(&self, signal: nix::sys::signal::Signal) {
        nix::sys::signal::kill(self.pid(), signal).expect("it lives");
    }

    /// A line that it says from now on, or has said since its start, with this in it.
    pub fn says(&self, part: &str) -> String {
        let until = Instant::now() + Duration::from_secs(20);
        let mut said = Vec::new();
        loop {
            let left = until.saturating_duration_since(Instant::now());
            match self.lines.recv_timeout(left) {
                Ok(line) if line.contains(part) => return line,
                Ok(line) => said.push(line),
                Err(_) => panic!("it never said `{part}`, but:\n{}", said.join("\n")),
            }
        }
    }

    /// What it says until this time has gone by, and what it had said since its start.
    pub fn says_within(&self, time: Duration) -> Vec<String> {
        let until = Instant::now() + time;
        let next = || self.lines.recv_timeout(until.saturating_duration_since(Instant::now()));
        std::iter::from_fn(|| next().ok()).collect()
    }

    /// Asks it to stop as a service manager does, and waits for the end.
    pub fn terminate(mut self) -> ExitStatus {
        self.end()
    }

    fn end(&mut self) -> ExitStatus {
        let pid = nix::unistd::Pid::from_raw(self.child.id().cast_signed());
        nix::sys::signal::kill(pid, nix::sys::signal::Signal::SIGTERM).expect("it lives");
        self.child.wait().expect("it ends")
    }

    /// The same; with what it said that nobody has read.
    pub fn last_words(mut self) -> String {
        self.end();
        self.lines.iter().collect::<Vec<_>>().join("\n")
    }

    /// Kills it at once.
    pub fn kill(mut self) {
        self.child.kill().expect("it lives");
        self.child.wait().expect("it ends");
    }

    /// One request; returns status and body.
    pub fn http(&self, method: &str, path: &str, token: Option<&str>, body: &str) -> (u16, String) {
        let mut stream = TcpStream::connect(&self.address).expect("the dashboard listens");
        let token =
            token.map_or(String::new(), |token| format!("Authorization: Bearer {token}\r\n"));
        let host = &self.address;
        let length = body.len();
        write!(
            stream,
            "{method} {path} HTTP/1.1\r\nHost: {host}\r\nConnection: close\r\nContent-Type: application/json\r\n\
             {token}Content-Length: {length}\r\n\r\n{body}"
        )
        .expect("sent");
        let mut answer = String::new();
        stream.read_to_string(&mut answer).expect("answered");
        let status = answer.split(' ').nth(1).and_then(|it| it.parse().ok()).unwrap_or(0);
        let body = answer.split_once("\r\n\r\n").map_or("", |(_, body)| body);
        (status, body.to_owned())
    }

    /// A JSON document of the API.
    pub fn json(&self, path: &str) -> serde_json::Value {
        let (status, body) = self.http("GET", path, None, "");
        assert_eq!(status, 200, "{path}: {body}");
        serde_json::from_str(&body).unwrap_or_else(|error| panic!("{path}: {error}: {body}"))
    }
}

impl Drop for Daemon {
    fn drop(&mut self) {
        // Ended already where the test ended it.
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}
