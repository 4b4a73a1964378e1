//! A kill at any moment loses nothing that was announced as saved.

mod support;

use std::{
    env,
    io::{BufRead, BufReader, Write},
    path::Path,
    process::{Command, Stdio},
};

use history::{Notice, Reader, Settings};
use supervision::record::FaultNumber;
use support::{closed, open, opened};

/// Folder of the child's history; only the parent sets it.
const FOLDER: &str = "CHECKRAIL_TEST_KILLED_HISTORY";

/// Kills of one test. Each is at another moment of the writer's work.
const KILLS: u32 = 8;

/// Run by the parent as a process of its own; on its own it does nothing.
#[test]
fn child_that_records_faults_until_it_is_killed() {
    let Ok(folder) = env::var(FOLDER) else { return };
    let (history, notices) = open(Path::new(&folder), Settings::default());
    let first = history.remembered().next_fault;
    let mut announced = std::io::stdout().lock();
    for next in first.. {
        history.record(opened(10_000, next));
        history.record(closed(next));
        // One ahead, so that a kill falls into a transaction as often as between two. Counted from this child's own
        // first: a kill may leave any number as the next.
        if (next - first) % 2 == 0 {
            continue;
        }
        for notice in notices.iter().take(2) {
            let Notice::Saved(FaultNumber(number)) = notice else { panic!("{notice:?}") };
            // A line of its own: the test harness writes its words on the same stream.
            writeln!(announced, "\nsaved {number}").expect("the parent reads");
            announced.flush().expect("the parent reads");
        }
    }
}

/// Starts the child, kills it after `count` announcements, and returns the highest number announced.
fn killed_after(folder: &Path, count: usize) -> u32 {
    let mut child = Command::new(env::current_exe().expect("this test"))
        .args(["--exact", "child_that_records_faults_until_it_is_killed", "--nocapture"])
        .env(FOLDER, folder)
        .stdout(Stdio::piped())
        .stderr(Stdio::null())
        .spawn()
        .expect("the child starts");
    let lines = BufReader::new(child.stdout.take().expect("its output")).lines();
    let announced = lines
        .map_while(Result::ok)
        .filter_map(|line| line.strip_prefix("saved ").and_then(|it| it.parse().ok()))
        .take(count)
        .last();
    child.kill().expect("it still ran");
    child.wait().expect("it is gone");
    announced.expect("something was announced")
}

#[test]
fn every_fault_announced_as_saved_is_there_after_a_kill() {
    let dir = tempfile::tempdir().expect("a folder");
    let mut highest = 0;
    for kill in 1..=KILLS {
        let announced = killed_after(dir.path(), 1 + (kill as usize * 7) % 11);
        assert!(highest < announced, "numbers go on over kills");
        highest = announced;
        let reader = Reader::open(dir.path()).expect("it opens");
        for number in 1..=highest {
            let fault = reader.fault(number).unwrap_or_else(|error| panic!("{number}: {error}"));
            // A fault that the kill cut off may be unfinished, but only if it was not announced; the numbers announced
            // by earlier children end at gaps that their kill left.
            if number == highest {
                assert!(fault.summary.complete, "fault {number} was announced");
                assert_eq!(fault.waveforms[0].ms.len(), 250);
            }
        }
    }
}
