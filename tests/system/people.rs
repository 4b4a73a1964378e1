//! The people of a session: at random while there is trouble, sensibly once it is over.

use simulator::random::Random;
use supervision::{
    alarm::AlarmState,
    input::{Act, Feed, Shelving},
    output::PowerState,
    snapshot::{FeedView, Snapshot},
};
use wiring::{
    index::{BoosterIx, DistrictIx, MachineIx},
    layout::Position,
};

/// Any of the feeds, boosters first.
pub fn feeds(snapshot: &Snapshot) -> impl Iterator<Item = (Feed, &FeedView)> {
    let boosters = snapshot.boosters.iter().enumerate();
    let districts = snapshot.districts.iter().enumerate();
    boosters
        .map(|(at, it)| (Feed::Booster(BoosterIx::new(at)), it))
        .chain(districts.map(|(at, it)| (Feed::District(DistrictIx::new(at)), it)))
}

/// Whatever comes to somebody's mind.
pub fn random_act(random: &mut Random, snapshot: &Snapshot) -> Option<Act> {
    let all: Vec<Feed> = feeds(snapshot).map(|(feed, _)| feed).collect();
    let feed = *random.pick(&all)?;
    let alarm = random.pick(&snapshot.alarms).map(|it| it.alarm);
    Some(match random.below(12) {
        0 => Act::Cut(feed),
        1..=3 => Act::Restore { feed, confirmed: random.chance(0.5) },
        4..=6 => Act::Acknowledge(alarm?),
        7 => Act::Reset(alarm?),
        8 => Act::Hold(feed),
        9 => Act::Release(feed),
        10 => Act::Shelve {
            alarm: alarm?,
            lasts: Shelving::For(wiring::units::Micros::from_millis(20_000)),
            reason: "later".to_owned(),
        },
        _ => Act::Throw {
            machine: MachineIx::new(random.below(snapshot.machines.len())),
            to: if random.chance(0.5) { Position::Normal } else { Position::Reverse },
            confirmed: random.chance(0.5),
        },
    })
}

/// What an operator does to have everything running again: acknowledges, resets, ends holds, restores.
pub fn helpful_acts(snapshot: &Snapshot) -> Vec<Act> {
    let mut acts = Vec::new();
    for alarm in &snapshot.alarms {
        match alarm.state {
            AlarmState::Unacknowledged
            | AlarmState::ReturnedUnacknowledged
            | AlarmState::LatchedUnacknowledged => acts.push(Act::Acknowledge(alarm.alarm)),
            AlarmState::LatchedAcknowledged => acts.push(Act::Reset(alarm.alarm)),
            AlarmState::Shelved => acts.push(Act::Unshelve(alarm.alarm)),
            AlarmState::OutOfService => acts.push(Act::InService(alarm.alarm)),
            AlarmState::Normal | AlarmState::Acknowledged => {}
        }
    }
    for (feed, view) in feeds(snapshot) {
        if !view.held_by.is_empty() {
            acts.push(Act::Release(feed));
        }
        if matches!(view.power, PowerState::Cut | PowerState::Unknown) {
            acts.push(Act::Restore { feed, confirmed: true });
        }
    }
    acts
}
