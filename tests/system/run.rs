//! One seed from its first second to the last.

use wiring::units::{Micros, Mono};

use super::{
    beds,
    drive::{Incidents, System},
    wire::Counts,
};

/// Trouble lasts so long.
pub const TROUBLE: Micros = Micros::from_millis(45_000);
/// Faults that were put in place last are removed within this; contacts are repaired.
const SETTLES: Micros = Micros::from_millis(30_000);
/// Then, with a person's help, everything is on again within this.
const CONVERGES: Micros = Micros::from_millis(60_000);
/// A fault that was planned early may have to wait for its train: the crew has removed the last within this.
const LAYOUT_SETTLES: Micros = Micros::from_millis(600_000);

/// What became of one seed.
#[derive(Clone, Debug)]
pub struct Outcome {
    pub seed: u64,
    pub layout: String,
    pub broken: Option<String>,
    pub incidents: Incidents,
    pub counts: Counts,
    pub trips: u64,
    pub records: u64,
    pub saved: usize,
    pub most_waiting: usize,
    /// From the end of the trouble until all was well. Unit: s.
    pub converged: f64,
    pub print: u64,
}

/// Says how to repeat a seed whose run ends in a panic.
struct Repeat(u64, Micros);

impl Drop for Repeat {
    fn drop(&mut self) {
        if std::thread::panicking() {
            eprintln!("{}", command(self.0, self.1));
        }
    }
}

/// The command that repeats a seed with so much trouble.
pub fn command(seed: u64, trouble: Micros) -> String {
    let longer = if trouble == TROUBLE {
        String::new()
    } else {
        format!(" CHECKRAIL_TROUBLE={}", trouble.seconds())
    };
    format!("repeat with: CHECKRAIL_SEED={seed}{longer} cargo test -p checkrail --test system")
}

/// Plays a seed.
pub fn play(seed: u64, trouble: Micros) -> Outcome {
    let _repeat = Repeat(seed, trouble);
    let bed = beds::bed(seed);
    let mut system = System::new(&bed, seed, trouble);
    let mut broken = phase(&mut system, Mono::START + trouble);
    let mut converged = 0.0;
    if broken.is_none() {
        system.calm();
        let calm = system.now;
        broken = phase(&mut system, calm + SETTLES);
        system.help();
        broken = broken.or_else(|| converge(&mut system));
        converged = system.now.since(calm).seconds();
    }
    broken = broken.or_else(|| system.finish().err());
    Outcome {
        seed,
        layout: bed.name.clone(),
        broken,
        incidents: system.incidents,
        counts: system.wire.counts,
        trips: system.checks.trips,
        records: system.checks.records,
        saved: system.disk.announced.len(),
        most_waiting: system.disk.most_waiting,
        converged,
        print: system.checks.print,
    }
}

fn told(system: &System<'_>) -> Option<String> {
    let what = system.checks.broken.as_ref()?;
    Some(format!("at {:.3} s: {what}", system.now.seconds()))
}

fn phase(system: &mut System<'_>, until: Mono) -> Option<String> {
    while system.now < until {
        system.advance();
        if system.checks.broken.is_some() {
            return told(system);
        }
    }
    None
}

fn converge(system: &mut System<'_>) -> Option<String> {
    let began = system.now;
    let mut until = began + CONVERGES;
    let mut why = "no process".to_owned();
    while system.now < until {
        system.advance();
        if system.checks.broken.is_some() {
            return told(system);
        }
        if !system.is_layout_sound() {
            let patience = system.now.since(began) < LAYOUT_SETTLES;
            until = if patience { system.now + CONVERGES } else { until };
        }
        let Some(snapshot) = system.snapshot() else { continue };
        match system.checks.converged(&snapshot) {
            Ok(()) if system.disk.is_settled() => return None,
            Ok(()) => "the disk has work left".clone_into(&mut why),
            Err(it) => why = it,
        }
    }
    Some(format!("not well again in time: {why}"))
}
