//! Size and speed of a season: 200 hours at 60 turnouts with 100 faults, the figures printed. `cargo bench -p history
//! --bench season`. Everything is recorded that a daemon records: throws with polarity and occupancy, alarms through
//! their life, power, orders and tries, pick-ups, hits, what operators did, and the records with their samples.

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
    alarm::{AlarmChange, AlarmKey, AlarmKind, AlarmState, Priority, Subject, Transition},
    cause::{Cause, Element},
    input::{Feed, MachinePosition, MeasuredPolarity, OrderId, Value},
    output::{Action, Event, EventKind, Occupancy, Order, PowerState, ProofStrength},
    record::{FaultNumber, FaultRecord, Waveform},
};
use wiring::{
    channel::{ChannelTable, Object},
    index::{BlockIx, DistrictIx, FrogIx, MachineIx, PoleIx},
    layout::{Conductor, Layout},
    units::{MicroA2s, Microamps, Micros, Mono},
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
        items += hour_of_traffic(&history, hour);
        for fault in
            (1..=FAULTS).filter(|fault| u64::from(*fault) * HOURS / u64::from(FAULTS) == hour + 1)
        {
            items += around_fault(&history, &channels, fault, hour);
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
    let kept = reader.events(0, i64::MAX, usize::MAX)?.len();
    let samples: usize = fault.waveforms.iter().map(|it| it.ms.len()).sum();
    report(&format!(
        "{HOURS} h, {TURNOUTS} turnouts, {items} items, {FAULTS} faults of {samples} samples each, {kept} event lines kept\n\
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
            let (machine, frog) = (MachineIx::new(turnout), FrogIx::new(turnout));
            let on = if throw % 2 == 0 { Conductor::B } else { Conductor::A };
            for (at, kind) in [
                (at, EventKind::PositionChanged(machine, MachinePosition::Moving)),
                (at + 900, EventKind::PolarityChanged(frog, MeasuredPolarity::Dead)),
                (at + 1100, EventKind::PolarityChanged(frog, MeasuredPolarity::On(on))),
                (at + 2500, EventKind::PositionChanged(machine, rest)),
            ] {
                items += event(history, at, kind, None);
            }
        }
    }
    items
}

fn event(history: &History, at_ms: u64, kind: EventKind, fault: Option<u32>) -> u64 {
    let fault = fault.map(FaultNumber);
    history.record(support::item(at_ms, What::Event(Event { kind, fault })));
    1
}

/// Blocks that become occupied and clear in an hour: five trains, a block every quarter of a minute.
const MOVES_PER_HOUR: u64 = 1200;
const ALARMS_PER_HOUR: u64 = 6;
const PICK_UPS_PER_HOUR: u64 = 20;
const ACTS_PER_HOUR: u64 = 10;

/// What an hour without a fault leaves beside its throws.
fn hour_of_traffic(history: &History, hour: u64) -> u64 {
    let spread =
        |count: u64| (0..count).map(move |nth| hour * 3_600_000 + nth * (3_600_000 / count.max(1)));
    let mut items = 0;
    for (nth, at) in spread(MOVES_PER_HOUR).enumerate() {
        let now = if nth % 2 == 0 { Occupancy::Occupied } else { Occupancy::Clear };
        items += event(history, at, EventKind::OccupancyChanged(BlockIx(0), now), None);
    }
    for at in spread(PICK_UPS_PER_HOUR) {
        items += event(history, at, EventKind::PickedUp(DistrictIx(0), Element::Short), None);
        items +=
            event(history, at + 10, EventKind::DroppedOut(DistrictIx(0), Element::Short), None);
    }
    for at in spread(ACTS_PER_HOUR) {
        items += acted(history, at, "acknowledge frog-mismatch of frog/T14");
    }
    for at in spread(ALARMS_PER_HOUR) {
        items += life_of(history, at, AlarmKind::FrogMismatch, Object::Frog(FrogIx(13)));
    }
    items
}

fn acted(history: &History, at: u64, what: &str) -> u64 {
    let kind = EventKind::Operated { who: "MK".to_owned(), what: what.to_owned(), refused: None };
    event(history, at, kind, None)
}

/// An alarm from its raising to its end.
fn life_of(history: &History, at: u64, kind: AlarmKind, object: Object) -> u64 {
    let life = [
        (Transition::Raised, AlarmState::Unacknowledged),
        (Transition::Acknowledged, AlarmState::Acknowledged),
        (Transition::Cleared, AlarmState::Normal),
    ];
    for (nth, (transition, state)) in life.into_iter().enumerate() {
        let change = AlarmChange {
            alarm: AlarmKey { kind, subject: Subject::Object(object) },
            transition,
            state,
            priority: Priority::High,
            first_out: nth == 0,
            under: None,
            text: "Frog T14: on the wrong rail, conductor A where B belongs".into(),
        };
        let at = at + nth as u64 * 5000;
        history.record(support::item(at, What::Alarm { change, node: None }));
    }
    life.len() as u64
}

/// Alarms of a fault: its own, those gathered under it, and the voltages of the district.
const ALARMS_OF_A_FAULT: u64 = 12;
const TRIES: u64 = 2;

/// Orders, tries, power, hits, alarms and acts around a fault.
fn around_fault(history: &History, channels: &ChannelTable, fault: u32, hour: u64) -> u64 {
    let start = hour * 3_600_000;
    let feed = Feed::District(DistrictIx(0));
    let power = channels.find("district/quarry/power").unwrap_or(wiring::index::ChannelIx(0));
    let mut items = 0;
    let order = |at: u64, action: Action, cause: Cause| {
        let (id, fault) = (OrderId(at as u32), Some(FaultNumber(fault)));
        let order = Order { id, channel: power, action, cause, fault, attempt: 1 };
        history.record(support::item(at, What::Order(order)));
        1
    };
    for attempt in 0..=TRIES {
        let at = start + attempt * 3000;
        items += order(at, Action::Cut, support::cause());
        for (later, kind) in [
            (0, EventKind::PowerChanged(feed, PowerState::Cutting)),
            (60, EventKind::CutProved(feed, Micros::from_millis(60), ProofStrength::Strong)),
            (60, EventKind::PowerChanged(feed, PowerState::Cut)),
            (2900, EventKind::PowerChanged(feed, PowerState::Restoring)),
            (2950, EventKind::PowerChanged(feed, PowerState::On)),
        ] {
            items += event(history, at + later, kind, Some(fault));
        }
        items += order(at + 2900, Action::On, Cause::Retry(attempt as u8 + 1));
        for pole in 0..3 {
            let (energy, amps) = (MicroA2s(900_000), Microamps(4_700_000));
            let pole = PoleIx::new(pole + fault as usize % 40);
            let hit = EventKind::Hit { pole, hits: 1, energy, amps, estimated: true };
            items += event(history, at + 60, hit, Some(fault));
        }
    }
    items += event(history, start + 9100, EventKind::LockedOut(DistrictIx(0)), Some(fault));
    items += event(history, start + 60_000, EventKind::LockOutOpened(DistrictIx(0)), Some(fault));
    items += acted(history, start + 60_000, "restore district/quarry");
    for nth in 0..ALARMS_OF_A_FAULT {
        let object = Object::Frog(FrogIx::new(nth as usize));
        items += life_of(history, start + nth, AlarmKind::FrogDead, object);
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
