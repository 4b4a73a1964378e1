//! Child processes, ended by their own handle, and what they cost: from /proc.

use std::{
    fs, io,
    process::{Child, Command, Stdio},
    time::{Duration, Instant},
};

/// A child process that ends with its owner.
pub(crate) struct Process(Child);

impl Process {
    /// Starts it. What it says is thrown away.
    pub(crate) fn start(mut command: Command) -> io::Result<Self> {
        command.stdin(Stdio::null()).stdout(Stdio::null()).stderr(Stdio::null()).spawn().map(Self)
    }

    /// Processor time of all its threads, also of those that ended, in the system's steps of 10 ms.
    pub(crate) fn spent(&self) -> Duration {
        const TICK: Duration = Duration::from_millis(10);
        let told = fs::read_to_string(format!("/proc/{}/stat", self.0.id())).unwrap_or_default();
        // User and system time are the 12th and 13th word after the name in brackets.
        let words = told.rsplit(')').next().unwrap_or_default().split_whitespace();
        let ticks = words.skip(11).take(2).filter_map(|it| it.parse::<u32>().ok()).sum::<u32>();
        TICK * ticks
    }

    /// Resident memory. Unit: MB of 10^6 octets.
    pub(crate) fn resident(&self) -> f64 {
        let status =
            fs::read_to_string(format!("/proc/{}/status", self.0.id())).unwrap_or_default();
        let line = status.lines().find_map(|it| it.strip_prefix("VmRSS:")).unwrap_or_default();
        let kib: f64 = line.trim().trim_end_matches("kB").trim().parse().unwrap_or(f64::NAN);
        kib * 1024.0 / 1e6
    }

    /// Starts counting its processor time.
    pub(crate) fn meter(&self) -> Meter {
        Meter { since: Instant::now(), spent: self.spent() }
    }
}

impl Drop for Process {
    fn drop(&mut self) {
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}

/// Counts a process's processor time.
pub(crate) struct Meter {
    since: Instant,
    spent: Duration,
}

impl Meter {
    /// Share of one core since the start. Unit: percent.
    pub(crate) fn percent(&self, process: &Process) -> f64 {
        let spent = process.spent().saturating_sub(self.spent);
        100.0 * spent.as_secs_f64() / self.since.elapsed().as_secs_f64()
    }
}

/// The program that is measured: the one just built, or another that `CHECKRAIL_BIN` names, as for a before and after.
pub(crate) fn program() -> Command {
    let built = || env!("CARGO_BIN_EXE_checkrail").into();
    Command::new(std::env::var_os("CHECKRAIL_BIN").unwrap_or_else(built))
}
