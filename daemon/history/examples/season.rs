//! Size and speed of a season: 200 hours at 60 turnouts with 100 faults, the figures printed. `cargo run --release
//! --example season`.

#[path = "../tests/support/mod.rs"]
mod support;

use std::{
    error::Error,
    path::Path,
    sync::Arc,
    time::{Duration, Instant},
};

use history::{Filter, History, Item, Names, Reader, Settings, What};
use supervision::{
    input::{MachinePosition, Value},
    output::{Event, EventKind},
    record::{FaultNumber, FaultRecord, Waveform},
};
use wiring::{
    channel::ChannelTable,
    index::MachineIx,
    layout::Layout,
    units::{Microamps, Mono},
};

const HOURS: u64 = 200;
const TURNOUTS: usize = 60;
const FAULTS: u32 = 100;

/// Throws of one turnout in an hour: a busy yard.
const THROWS_PER_HOUR: u64 = 20;

fn main() -> Result<(), Box<dyn Error>> {
    let dir = tempfile::tempdir()?;
    let layout: Arc<Layout> = Arc::new(wiring::read(&sixty_turnouts()).layout.ok_or("no layout")?);
    let channels = Arc::new(ChannelTable::new(&layout));
    let names = Names::new(layout, Arc::clone(&channels));
    let begun = Instant::now();
    let history =
        History::open(dir.path(), names, Settings::default(), (Mono::START, support::UTC), |_| {})?;
    let mut items = 0_u64;
    for hour in 0..HOURS {
        items += hour_of_throws(&history, hour);
        for fault in
            (1..=FAULTS).filter(|fault| u64::from(*fault) * HOURS / u64::from(FAULTS) == hour + 1)
        {
            history.record(closed(fault, &channels, hour));
        }
        wait(&history)?;
    }
    let unsaved = history.unsaved();
    drop(history);
    let wrote = begun.elapsed();
    let bytes = size(dir.path())?;
    let reader = Reader::open(dir.path())?;
    let begun = Instant::now();
    let list = reader.faults(&Filter::default())?;
    let listed = begun.elapsed();
    let begun = Instant::now();
    let fault = reader.fault(FAULTS)?;
    let read = begun.elapsed();
    let samples: usize = fault.waveforms.iter().map(|it| it.ms.len()).sum();
    report(&format!(
        "{HOURS} h, {TURNOUTS} turnouts, {items} position changes, {FAULTS} faults of {samples} samples each\n\
         size {:.1} MB, written in {:.1} s, not saved {}\n\
         list of {} faults in {:.1} ms, one fault in full in {:.1} ms",
        bytes as f64 / 1e6,
        wrote.as_secs_f64(),
        unsaved.total(),
        list.len(),
        listed.as_secs_f64() * 1e3,
        read.as_secs_f64() * 1e3,
    ));
    Ok(())
}

#[expect(clippy::print_stdout, reason = "the figures are what this program is for")]
fn report(text: &str) {
    println!("{text}");
}

fn wait(history: &History) -> Result<(), Box<dyn Error>> {
    if history.flush(Duration::from_secs(60)) { Ok(()) } else { Err("not saved".into()) }
}

/// Start and end of each throw, in step with the clock of the session.
fn hour_of_throws(history: &History, hour: u64) -> u64 {
    let mut items = 0;
    for throw in 0..THROWS_PER_HOUR {
        for turnout in 0..TURNOUTS {
            let at = (hour * 3600 + throw * (3600 / THROWS_PER_HOUR)) * 1000 + turnout as u64;
            let rest =
                if throw % 2 == 0 { MachinePosition::Reverse } else { MachinePosition::Normal };
            for (at, position) in [(at, MachinePosition::Moving), (at + 2500, rest)] {
                let machine = MachineIx::new(turnout);
                let kind = EventKind::PositionChanged(machine, position);
                history.record(support::item(at, What::Event(Event { kind, fault: None })));
                items += 1;
            }
        }
    }
    items
}

/// A fault with every current channel of the layout at 100 Hz over the whole window.
fn closed(number: u32, channels: &ChannelTable, hour: u64) -> Item {
    let record = support::record(number);
    let start = record.trigger.0 - 2_000_000;
    let waveforms = channels
        .iter()
        .filter(|(_, channel)| channel.quantity == wiring::channel::Quantity::Current)
        .map(|(channel, _)| Waveform {
            channel,
            samples: (0..500_u64)
                .map(|step| {
                    let noise = (step * 7919 + u64::from(channel.0) * 104_729) % 9000;
                    (Mono(start + step * 10_000), Value::Current(Microamps(400_000 + noise as i64)))
                })
                .collect(),
        })
        .collect();
    let record = FaultRecord { number: FaultNumber(number), waveforms, ..record };
    support::item(hour * 3_600_000, What::FaultClosed(Box::new(record)))
}

fn size(dir: &Path) -> Result<u64, Box<dyn Error>> {
    let mut bytes = 0;
    for entry in std::fs::read_dir(dir)? {
        bytes += entry?.metadata()?.len();
    }
    Ok(bytes)
}

/// The sample layout with 59 more turnouts beside T1.
fn sixty_turnouts() -> String {
    let mut text = support::LAYOUT.to_owned();
    for turnout in 2..=TURNOUTS {
        text.push_str(&format!(
            "[trackwork.T{turnout}]\nkind = \"turnout\"\nhand = \"left\"\nblock = \"q1\"\nnormal = \"right\"\n\
             [trackwork.T{turnout}.frog]\npoles = [\"T{turnout}.1\"]\nnormal = \"left\"\nreverse = \"right\"\n\
             feed = {{ gauge = \"22 AWG\", length = \"0.5 m\" }}\n"
        ));
    }
    text
}
