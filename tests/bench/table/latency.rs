//! From the deciding reading to the order, by mosquitto, by the embedded broker and by a serial line, each beside its
//! bare loop; and the same job by a script and by a flow.

use std::{
    collections::BTreeMap,
    fs,
    ops::Range,
    path::Path,
    time::{Duration, Instant},
};

use rumqttc::{AsyncClient, QoS};
use serde_json::{Map, Value, json};
use tokio::{sync::mpsc, time::sleep};

use crate::{
    Plan, events, rivals, roles, serial,
    support::{
        broker::{free_port, mosquitto},
        client::{Heard, connect, listen},
        figures::{Row, Times, judged, number, ratio, row},
        process::{Process, program},
    },
    yard::{self, BOOT},
};

/// A process that does not answer within this is given up.
const PATIENCE: Duration = Duration::from_secs(30);
/// What a process gets before it is measured: connections, subscriptions, first permits, the study of the layout.
const SETTLING: Duration = Duration::from_secs(4);

/// What was measured of one process over all rounds.
#[derive(Debug, Default)]
pub(crate) struct Measured {
    pub(crate) quiet: Times,
    pub(crate) loaded: Times,
    /// Percent of a core, one figure a round: without readings, among 5,000 a second, and with a short each
    /// [`events::SPACING`] besides.
    pub(crate) at_rest: Vec<f64>,
    pub(crate) at_work: Vec<f64>,
    pub(crate) at_shorts: Vec<f64>,
    /// MB, the most of all rounds.
    pub(crate) resident: f64,
}

impl Measured {
    fn cpu(&self) -> Option<f64> {
        mean(&self.at_work)
    }
}

fn mean(of: &[f64]) -> Option<f64> {
    (!of.is_empty()).then(|| of.iter().sum::<f64>() / of.len() as f64)
}

/// Who is measured, in the order of the table.
#[derive(Clone, Copy, Debug, Eq, Ord, PartialEq, PartialOrd)]
enum Who {
    Loop,
    Checkrail,
    Script,
    Flow,
    EmbeddedLoop,
    EmbeddedCheckrail,
    LineLoop,
    LineCheckrail,
}

/// Measures all, in turn, as often as the plan says.
pub(crate) fn rows(plan: &Plan) -> Vec<Row> {
    let runtime = tokio::runtime::Builder::new_multi_thread().enable_all().build();
    let runtime = runtime.expect("a runtime");
    let mut all = BTreeMap::<Who, Measured>::new();
    for _ in 0..plan.rounds {
        runtime.block_on(over_mosquitto(plan, &mut all));
        runtime.block_on(over_embedded(plan, &mut all));
        for (who, checkrail) in [(Who::LineLoop, false), (Who::LineCheckrail, true)] {
            serial::measure(plan, checkrail, all.entry(who).or_default());
        }
    }
    table(&all)
}

/// The program on a layout with these links.
pub(crate) fn checkrail(work: &Path, districts: usize, links: &str) -> Process {
    let path = work.join("layout.toml");
    fs::write(&path, yard::text(districts, links)).expect("layout written");
    let mut command = program();
    command
        .arg("run")
        .arg(&path)
        .args(["--listen", "127.0.0.1:0", "--data"])
        .arg(work.join("data"));
    // The journal of the service manager gets what a daemon says; here nobody reads it.
    command.env("CHECKRAIL_LOG", "warn");
    Process::start(command).expect("the program starts")
}

async fn over_mosquitto(plan: &Plan, all: &mut BTreeMap<Who, Measured>) {
    for who in [Who::Loop, Who::Checkrail, Who::Script, Who::Flow] {
        let work = tempfile::tempdir().expect("a folder");
        let Some((_broker, port)) = mosquitto(work.path()) else { return };
        let words = port.to_string();
        let (process, root) = match who {
            Who::Checkrail => {
                let links = format!("[links.mqtt]\nbroker = \"mqtt://127.0.0.1:{port}\"");
                (Some(checkrail(work.path(), 2 * plan.events, &links)), "checkrail")
            }
            Who::Script => (rivals::script(port, "script"), "script"),
            Who::Flow => (rivals::flow(port, work.path()), "flow"),
            Who::Loop
            | Who::EmbeddedLoop
            | Who::EmbeddedCheckrail
            | Who::LineLoop
            | Who::LineCheckrail => (Some(roles::start("mqtt-floor", &[&words, "floor"])), "floor"),
        };
        if let Some(process) = process {
            measure(&process, port, root, plan, all.entry(who).or_default()).await;
        }
    }
}

/// Checkrail brings the broker; the loop speaks through it while nothing is said to Checkrail.
async fn over_embedded(plan: &Plan, all: &mut BTreeMap<Who, Measured>) {
    let work = tempfile::tempdir().expect("a folder");
    let port = free_port();
    let links = format!("[links.mqtt]\nembedded = \"127.0.0.1:{port}\"");
    let daemon = checkrail(work.path(), 2 * plan.events, &links);
    let bare = roles::start("mqtt-floor", &[&port.to_string(), "floor"]);
    measure(&bare, port, "floor", plan, all.entry(Who::EmbeddedLoop).or_default()).await;
    drop(bare);
    let own = all.entry(Who::EmbeddedCheckrail).or_default();
    measure(&daemon, port, "checkrail", plan, own).await;
}

/// One process: at rest, with events, with events among 5,000 other readings a second.
async fn measure(process: &Process, port: u16, root: &str, plan: &Plan, into: &mut Measured) {
    let Some(mut driver) = Driver::new(port, root, 2 * plan.events).await else { return };
    sleep(SETTLING).await;
    let rest = process.meter();
    sleep(plan.rest).await;
    into.at_rest.push(rest.percent(process));
    into.quiet.add(&driver.drive(0..plan.events).await, plan.events);
    let others = roles::start("load", &[&port.to_string(), root]);
    sleep(SETTLING).await;
    let work = process.meter();
    sleep(plan.rest).await;
    into.at_work.push(work.percent(process));
    let shorts = process.meter();
    into.loaded.add(&driver.drive(plan.events..2 * plan.events).await, plan.events);
    into.at_shorts.push(shorts.percent(process));
    into.resident = into.resident.max(process.resident());
    drop(others);
}

/// A node that brings the events about, and hears the orders.
struct Driver {
    root: String,
    client: AsyncClient,
    heard: mpsc::UnboundedReceiver<Heard>,
    began: Instant,
    number: u64,
    sent: Vec<Option<Instant>>,
}

impl Driver {
    /// Announces everything and waits until somebody is there; none where nobody comes.
    async fn new(port: u16, root: &str, districts: usize) -> Option<Self> {
        let filters = ["bench/order/#", "bench/permit", "ready"].map(|it| format!("{root}/{it}"));
        let (client, eventloop) = connect(&format!("{root}-bench"), port, &filters, true).await;
        let mut heard = answering(client.clone(), root.to_owned(), listen(eventloop));
        let until = Instant::now() + PATIENCE;
        while Instant::now() < until {
            announce(&client, root, districts).await;
            let word = tokio::time::timeout(Duration::from_secs(1), heard.recv()).await;
            if let Ok(Some((_, topic, _))) = word
                && (topic.ends_with("/ready") || topic.ends_with("/permit"))
            {
                let (root, sent) = (root.to_owned(), vec![None; districts]);
                return Some(Self { root, client, heard, began: Instant::now(), number: 0, sent });
            }
        }
        eprintln!("{root}: nobody there");
        None
    }

    async fn drive(&mut self, districts: Range<usize>) -> Vec<Duration> {
        let mut times = Vec::new();
        let start = Instant::now();
        for step in events::steps(districts.clone()) {
            tokio::time::sleep_until((start + step.at).into()).await;
            if step.decides {
                self.sent[step.district] = Some(Instant::now());
            }
            self.says(step.district, step.milliamps).await;
            while let Ok(message) = self.heard.try_recv() {
                self.take(&message, &mut times);
            }
        }
        let until = Instant::now() + events::LATEST;
        while times.len() < districts.len()
            && let left = until.saturating_duration_since(Instant::now())
            && let Ok(Some(message)) = tokio::time::timeout(left, self.heard.recv()).await
        {
            self.take(&message, &mut times);
        }
        for _ in 0..events::PROOFS {
            for district in districts.clone() {
                self.says(district, 0).await;
            }
            sleep(events::BETWEEN_PROOFS).await;
        }
        times
    }

    async fn says(&mut self, district: usize, milliamps: u16) {
        self.number += 1;
        let topic = format!("{}/bench/reading/district/d{district}/current", self.root);
        let ms = u64::try_from(self.began.elapsed().as_millis()).expect("short");
        let amps = f64::from(milliamps) / 1e3;
        let body = json!({"v": amps, "n": self.number, "ms": ms, "b": BOOT}).to_string();
        self.client.publish(topic, QoS::AtMostOnce, false, body).await.expect("connected");
    }

    /// The first order for a district ends its measurement.
    fn take(&mut self, (at, topic, _): &Heard, times: &mut Vec<Duration>) {
        let district = topic
            .rsplit_once("/order/district/d")
            .and_then(|(_, rest)| rest.strip_suffix("/power"))
            .and_then(|number| number.parse::<usize>().ok());
        if let Some(sent) = district.and_then(|it| self.sent.get_mut(it)?.take()) {
            times.push(at.saturating_duration_since(sent));
        }
    }
}

/// Answers each order that has a number, as a node does: one that is not answered is given again, and would meet a later
/// event. The loop, the script and the flow number none.
fn answering(
    client: AsyncClient,
    root: String,
    mut from: mpsc::UnboundedReceiver<Heard>,
) -> mpsc::UnboundedReceiver<Heard> {
    let (sender, receiver) = mpsc::unbounded_channel();
    tokio::spawn(async move {
        while let Some(heard) = from.recv().await {
            let channel = heard.1.split_once("/bench/order/").map(|(_, it)| it.to_owned());
            let order = serde_json::from_slice::<Value>(&heard.2);
            if sender.send(heard).is_err() {
                return;
            }
            if let (Some(channel), Ok(order)) = (channel, order)
                && order["id"].is_string()
            {
                let topic = format!("{root}/bench/ack/{channel}");
                let body = json!({"id": order["id"], "r": "ok"}).to_string();
                client.publish(topic, QoS::AtLeastOnce, false, body).await.expect("connected");
            }
        }
    });
    receiver
}

/// The births of the events' node and of the one with the other readings.
pub(crate) async fn announce(client: &AsyncClient, root: &str, districts: usize) {
    let mut own = Map::new();
    for at in 0..districts {
        own.insert(format!("district/d{at}/current"), json!({"hz": 20}));
        own.insert(format!("district/d{at}/power"), json!({"out": true}));
    }
    let blocks = yard::blocks().into_iter();
    let others = blocks.map(|it| (format!("block/{it}/current"), json!({"hz": 8}))).collect();
    for (node, permit, channels) in [("bench", 3000, own), ("others", 0, others)] {
        let birth = json!({"id": node, "boot": BOOT, "permit_ms": permit, "channels": channels});
        let topic = format!("{root}/{node}/birth");
        client.publish(topic, QoS::AtLeastOnce, true, birth.to_string()).await.expect("connected");
    }
}

/// The rows: each figure beside its floor or rival.
fn table(all: &BTreeMap<Who, Measured>) -> Vec<Row> {
    let none = Measured::default();
    let of = |who: Who| all.get(&who).unwrap_or(&none);
    let mut rows = Vec::new();
    let pairs = [
        ("mosquitto", Who::Checkrail, Who::Loop),
        ("embedded broker", Who::EmbeddedCheckrail, Who::EmbeddedLoop),
        ("serial line", Who::LineCheckrail, Who::LineLoop),
    ];
    for (name, ours, floor) in pairs {
        for (load, pick) in LOADS {
            let (ours, floor) = (pick(of(ours)), pick(of(floor)));
            let times = ratio(ours.at(0.99), floor.at(0.99));
            rows.push(row(
                &format!("reading to order, {name}, {load}: p50 / p99 / max"),
                &ours.text(),
                &format!("bare loop {}", floor.text()),
                &format!("p99 {} x", number(times)),
                &judged("at most 1.5 x", times.map(|it| it <= 1.5)),
            ));
        }
    }
    for (name, rival) in [("Python script", Who::Script), ("Node-RED flow", Who::Flow)] {
        for (load, pick) in LOADS {
            let (ours, theirs) = (pick(of(Who::Checkrail)), pick(of(rival)));
            let times = ratio(theirs.at(0.99), ours.at(0.99));
            let goal = if load == LOADS[1].0 { "at least 2 x lower" } else { "" };
            let met = (!goal.is_empty()).then_some(times).flatten().map(|it| 2.0 <= it);
            rows.push(row(
                &format!("the same, mosquitto, {load}"),
                &ours.text(),
                &format!("{name} {}", theirs.text()),
                &format!("p99 {} x lower", number(times)),
                &judged(goal, met),
            ));
        }
    }
    rows.extend(costs(of));
    rows
}

type Pick = fn(&Measured) -> &Times;
const LOADS: [(&str, Pick); 2] =
    [("quiet", |it| &it.quiet), ("among 5,000 readings/s", |it| &it.loaded)];

fn costs<'a>(of: impl Fn(Who) -> &'a Measured) -> Vec<Row> {
    let names = [
        ("bare loop, mosquitto", Who::Loop),
        ("Checkrail, mosquitto", Who::Checkrail),
        ("Python script", Who::Script),
        ("Node-RED flow", Who::Flow),
        ("Checkrail with its broker", Who::EmbeddedCheckrail),
        ("Checkrail, serial line", Who::LineCheckrail),
    ];
    let ours = of(Who::Checkrail).cpu();
    let cell = |name: &str, who: Who| {
        let it = of(who);
        let times = ratio(it.cpu(), ours);
        let rival = matches!(who, Who::Script | Who::Flow);
        let goal = if rival { "Checkrail at least 4 x less" } else { "" };
        row(
            &format!("processor, {name}: at rest / 5,000 readings/s / shorts besides"),
            &format!(
                "{} / {} / {} %",
                number(mean(&it.at_rest)),
                number(it.cpu()),
                number(mean(&it.at_shorts))
            ),
            &format!("resident {:.1} MB", it.resident),
            &format!("{} x Checkrail's", number(times)),
            &judged(goal, rival.then_some(times).flatten().map(|it| 4.0 <= it)),
        )
    };
    names.into_iter().map(|(name, who)| cell(name, who)).collect()
}
