//! The test rig: a small layout, a journal as text, outputs as text.

use std::sync::Arc;

use wiring::{
    channel::ChannelTable,
    layout::Layout,
    units::{Micros, Mono},
};

use crate::{
    Supervisor,
    alarm::{AlarmKey, AlarmKind, Subject},
    input::{Act, Feed, Input, OperatorRequest, Quality, Reading, RequestId, Value},
    output::{Decision, Output},
    start::Start,
    value, words,
};

/// Two districts that can be cut, one that cannot, and a turnout with a block for each leg.
pub(super) const LAYOUT: &str = r#"
schema = 1
[layout]
name = "Rig"
control = "dcc"
[booster.main]
volts = "15 V"
limit = "5 A"
cut = true
[district.quarry]
booster = "main"
breaker = { kind = "electronic", trip = "3 A", delay = "40 ms" }
cut = true
[district.yard]
booster = "main"
breaker = { kind = "electronic", trip = "3 A", delay = "40 ms" }
cut = true
[district.shed]
booster = "main"
breaker = { kind = "electronic", trip = "3 A", delay = "40 ms" }
[block.q1]
district = "quarry"
[block.q2]
district = "quarry"
[block.q3]
district = "quarry"
[block.y1]
district = "yard"
[block.s1]
district = "shed"
[track.q-in]
block = "q1"
from = "east"
to = "T1.points"
length = "1 m"
left = "A"
[track.q-left]
block = "q2"
from = "T1.left"
to = "west"
length = "1 m"
left = "A"
gaps = ["from"]
[track.q-right]
block = "q3"
from = "T1.right"
to = "south"
length = "1 m"
left = "A"
gaps = ["from"]
[trackwork.T1]
kind = "turnout"
hand = "right"
block = "q1"
[trackwork.T1.frog]
poles = ["T1.1"]
normal = "right"
reverse = "left"
"#;

/// A layout without errors.
fn layout(text: &str) -> Arc<Layout> {
    let read = wiring::read::read(text);
    assert!(read.errors.is_empty(), "{:?}", read.errors);
    Arc::new(read.layout.unwrap())
}

/// A supervisor of a layout.
pub(super) struct Rig {
    pub(super) layout: Arc<Layout>,
    pub(super) channels: Arc<ChannelTable>,
    pub(super) sut: Supervisor,
    pub(super) outputs: Vec<Output>,
}

impl Rig {
    /// Starts over a journal.
    pub(super) fn new(more: &str) -> Self {
        Self::start(more, Start::journal())
    }

    /// Starts from something.
    pub(super) fn start(more: &str, start: Start) -> Self {
        Self::new_with(&format!("{LAYOUT}\n{more}"), start)
    }

    /// Another layout file.
    pub(super) fn new_with(text: &str, start: Start) -> Self {
        let layout = layout(text);
        let channels = Arc::new(ChannelTable::new(&layout));
        let proof = Arc::new(wiring::polarity::prove(&layout));
        let neighbours = wiring::plan::neighbours(&layout);
        let (l, c) = (Arc::clone(&layout), Arc::clone(&channels));
        let sut = Supervisor::new(l, c, proof, neighbours, start, Mono::START);
        Self { layout, channels, sut, outputs: Vec::new() }
    }

    /// Plays a journal and collects what comes out.
    pub(super) fn play(&mut self, journal: &str) {
        for (at, line) in lines(journal) {
            let input = self.input(&line);
            self.sut.handle(input, Mono(at * 1000));
            self.drain();
        }
    }

    /// Collects outputs.
    pub(super) fn drain(&mut self) {
        while let Some(output) = self.sut.poll_output() {
            self.outputs.push(output);
        }
    }

    pub(super) fn input(&self, line: &str) -> Input {
        if line == "tick" {
            return Input::Tick;
        }
        if let Some(act) = line.strip_prefix("! ") {
            let (who, act) = act.strip_prefix("bob: ").map_or(("ann", act), |act| ("bob", act));
            let who = who.to_owned();
            let request = OperatorRequest { id: RequestId(7), who, act: self.act(act) };
            return Input::Operator(request);
        }
        let (name, word) = line.split_once(' ').unwrap();
        let channel = self.channels.find(name).unwrap_or_else(|| panic!("no channel {name}"));
        let quantity = self.channels.channel(channel).quantity;
        let (quality, word) = match word.split_once(':') {
            Some(("resent", word)) => (Quality::Resent, word),
            Some(("late", word)) => (Quality::Late, word),
            Some(("bare", word)) => (Quality::Bare, word),
            _ => (Quality::Good, word),
        };
        let value = match word {
            "over" => Value::Invalid(crate::input::Invalid::OverRange),
            "bad" => Value::Invalid(crate::input::Invalid::Malformed),
            word => value::from_text(quantity, word).unwrap(),
        };
        Input::Reading(Reading { channel, value, quality, node_ms: None })
    }

    fn act(&self, text: &str) -> Act {
        let words: Vec<&str> = text.split(' ').collect();
        match words[..] {
            ["cut", feed] => Act::Cut(self.feed(feed)),
            ["restore", feed] => Act::Restore { feed: self.feed(feed), confirmed: false },
            ["confirm", feed] => Act::Restore { feed: self.feed(feed), confirmed: true },
            ["hold", feed] => Act::Hold(self.feed(feed)),
            ["release", feed] => Act::Release(self.feed(feed)),
            ["throw", id] => Act::Throw {
                machine: self.machine(id),
                to: wiring::layout::Position::Reverse,
                confirmed: false,
            },
            ["throw-sure", id] => Act::Throw {
                machine: self.machine(id),
                to: wiring::layout::Position::Reverse,
                confirmed: true,
            },
            ["ack", kind, subject] => Act::Acknowledge(self.key(kind, subject)),
            ["reset", kind, subject] => Act::Reset(self.key(kind, subject)),
            ["first-out", kind, subject] => Act::ResetFirstOut(self.key(kind, subject)),
            ["stop"] => Act::Shutdown,
            ["commission", id, ..] => Act::Commission {
                machine: self.machine(id),
                request: super::commissioning::request(&words[2..]),
            },
            _ => panic!("{text}"),
        }
    }

    fn machine(&self, id: &str) -> wiring::index::MachineIx {
        let nth = self.layout.machines.iter().position(|it| it.id == id).unwrap();
        wiring::index::MachineIx::new(nth)
    }

    fn feed(&self, name: &str) -> Feed {
        let channel = self.channels.find(&format!("{name}/power")).unwrap();
        match self.channels.channel(channel).object {
            wiring::channel::Object::Booster(it) => Feed::Booster(it),
            wiring::channel::Object::District(it) => Feed::District(it),
            other => panic!("{other:?}"),
        }
    }

    fn key(&self, kind: &str, subject: &str) -> AlarmKey {
        let object = self
            .channels
            .iter()
            .find(|(index, _)| self.channels.object_name(*index) == subject)
            .unwrap()
            .1
            .object;
        AlarmKey { kind: AlarmKind::from_word(kind).unwrap(), subject: Subject::Object(object) }
    }

    /// An output in one line; none for what no test asks about.
    pub(super) fn show(&self, output: &Output) -> Option<String> {
        let at = output.at.0 / 1000;
        let text = match &output.what {
            Decision::Order(order) => {
                let name = self.channels.object_name(order.channel);
                let again = if order.attempt > 1 { " again" } else { "" };
                format!("{at} {} {name} {}{again}", order.action.word(), order.cause.word())
            }
            Decision::Alarm(change) => {
                let subject = words::subject_name(&self.layout, change.alarm.subject, None);
                let (kind, state) = (change.alarm.kind.word(), change.transition.word());
                format!("{at} {kind} {subject} {state} {}", change.priority.word())
            }
            Decision::State { channel, value } => {
                let written = match value.written() {
                    value::Written::Number(number) => number.to_string(),
                    value::Written::Word(word) | value::Written::Nothing(word) => word.to_owned(),
                };
                format!("{at} = {} {written}", self.channels.name(*channel))
            }
            Decision::FaultClosed(record) => {
                let first = record
                    .suspects
                    .first()
                    .map_or_else(String::new, |it| words::accused_name(&self.layout, it.accused));
                format!("{at} fault {} {} {first}", record.number.0, record.cause.word())
            }
            Decision::Answer { result: Ok(()), .. } => format!("{at} done"),
            Decision::Answer { result: Err(why), .. } => format!("{at} refused {why:?}"),
            Decision::Commissioned(_) | Decision::Event(_) | Decision::FaultOpened { .. } => {
                return None;
            }
        };
        Some(text)
    }

    /// All outputs that `keep` wants, in order.
    pub(super) fn shown(&self, keep: impl Fn(&Decision) -> bool) -> Vec<String> {
        self.outputs
            .iter()
            .filter(|output| keep(&output.what))
            .filter_map(|output| self.show(output))
            .collect()
    }
}

/// Lines by time: `AT what`, or `FROM..TO/STEP what` for a channel that is sent all the time. Milliseconds.
pub(super) fn lines(journal: &str) -> Vec<(u64, String)> {
    let mut lines = Vec::new();
    for line in journal.lines().map(str::trim).filter(|line| !line.is_empty()) {
        let (when, what) = line.split_once(' ').unwrap();
        let what = what.trim().to_owned();
        match when.split_once("..") {
            None => lines.push((when.parse().unwrap(), what)),
            Some((from, rest)) => {
                let (to, step) = rest.split_once('/').unwrap();
                let (from, to): (u64, u64) = (from.parse().unwrap(), to.parse().unwrap());
                let step = step.parse().unwrap();
                lines.extend((from..to).step_by(step).map(|at| (at, what.clone())));
            }
        }
    }
    lines.sort_by_key(|(at, _)| *at);
    lines
}

/// Orders and answers.
pub(super) fn acts(what: &Decision) -> bool {
    matches!(what, Decision::Order(_) | Decision::Answer { .. })
}

/// Plays a journal on the rig's layout and compares the orders.
#[track_caller]
pub(super) fn check_orders(journal: &str, want: &str) {
    check_with("", journal, want, acts);
}

/// The same with other settings and another choice of outputs.
#[track_caller]
pub(super) fn check_with(more: &str, journal: &str, want: &str, keep: impl Fn(&Decision) -> bool) {
    let mut rig = Rig::new(more);
    rig.play(journal);
    rig.sut.finish(rig.sut.snapshot().at);
    rig.drain();
    assert_eq!(rig.shown(keep).join("; "), want);
}

/// Alarms only.
pub(super) fn alarms(what: &Decision) -> bool {
    matches!(what, Decision::Alarm(_))
}

/// One millisecond.
pub(super) const MS: Micros = Micros::from_millis(1);

/// A quiet second with a train in q3.
const RUNNING: &str = "
    0 machine/T1/position normal
    0..1000/20 district/quarry/current 0.4
    0..1000/20 block/q3/current 0.4
    0..1000/20 block/q1/current 0.0
    0..1000/20 block/q2/current 0.0
    0..1000/500 frog/T1/polarity B
";

/// The quiet second, and what comes then.
pub(super) fn running(then: &str) -> String {
    format!("{RUNNING}\n{then}")
}
