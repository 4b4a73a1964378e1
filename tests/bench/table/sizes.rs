//! `check` and `study` by the size of the layout: processor time of the program.

use std::{
    fs,
    path::Path,
    process::Stdio,
    thread,
    time::{Duration, Instant},
};

use nix::sys::resource::{UsageWho, getrusage};

use crate::{
    Plan,
    support::{
        figures::{Row, row},
        process::program,
    },
};

/// A run that takes longer is given up.
const PATIENCE: Duration = Duration::from_secs(300);

/// One row a size.
pub(crate) fn rows(plan: &Plan) -> Vec<Row> {
    let work = tempfile::tempdir().expect("a folder");
    let mut before: Option<(f64, [Option<f64>; 2])> = None;
    let row = |turnouts: &usize| {
        let path = work.path().join(format!("{turnouts}.toml"));
        fs::write(&path, simulator::generate(7, *turnouts)).expect("layout written");
        let spent = ["check", "study"].map(|command| spent(command, &path));
        let [check, study] = spent.map(text);
        let size = *turnouts as f64;
        let growth = before.map_or_else(String::new, |(smaller, times)| {
            let exponent = |nth: usize| {
                let (now, then) = (spent[nth]?, times[nth]?);
                Some((now / then).ln() / (size / smaller).ln())
            };
            let exponent = |nth| exponent(nth).map_or("-".to_owned(), |it| format!("{it:.2}"));
            format!("grows with size to the power {} / {}", exponent(0), exponent(1))
        });
        before = Some((size, spent));
        row(
            &format!("check / study, {turnouts} turnouts"),
            &format!("{check} / {study}"),
            "",
            &growth,
            "",
        )
    };
    plan.sizes.iter().map(row).collect()
}

fn text(seconds: Option<f64>) -> String {
    seconds.map_or_else(|| format!("above {} s", PATIENCE.as_secs()), |it| format!("{it:.3} s"))
}

/// Processor time of one run. Unit: s. None where it took too long.
fn spent(command: &str, layout: &Path) -> Option<f64> {
    let before = of_children();
    let mut child = program()
        .arg(command)
        .arg(layout)
        .stdout(Stdio::null())
        .stderr(Stdio::null())
        .spawn()
        .expect("the program starts");
    let until = Instant::now() + PATIENCE;
    while Instant::now() < until {
        if let Some(ended) = child.try_wait().expect("it is ours") {
            // 1: it names faults of the layout. Anything beyond has studied nothing.
            assert!(matches!(ended.code(), Some(0 | 1)), "{command} ended with {ended}");
            return Some(of_children() - before);
        }
        thread::sleep(Duration::from_millis(5));
    }
    let _ = child.kill();
    let _ = child.wait();
    None
}

/// Processor time of all children that ended. Unit: s.
fn of_children() -> f64 {
    let usage = getrusage(UsageWho::RUSAGE_CHILDREN).expect("told by the system");
    let seconds = |it: nix::sys::time::TimeVal| it.tv_sec() as f64 + it.tv_usec() as f64 * 1e-6;
    seconds(usage.user_time()) + seconds(usage.system_time())
}
