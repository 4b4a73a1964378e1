//! What Prometheus scrapes. The registry is wrapped here: nothing else names it.
//!
//! Counters are counted by the shell as things happen; gauges are set from the newest view at the time of a scrape, so
//! that a page nobody scrapes costs nothing.

use prometheus::{
    Encoder, Histogram, HistogramOpts, IntCounter, IntCounterVec, IntGauge, IntGaugeVec, Opts,
    Registry, TextEncoder,
    core::{AtomicF64, GenericGaugeVec},
};
use supervision::{output::PowerState, snapshot::FeedView};
use wiring::{layout::Layout, units::Micros};

use crate::view::View;

type GaugeVec = GenericGaugeVec<AtomicF64>;

/// Upper bounds of the cut-latency buckets. Unit: s. Fine around the few milliseconds that a cut should take.
const LATENCY_BUCKETS: [f64; 12] =
    [0.0005, 0.001, 0.002, 0.005, 0.01, 0.02, 0.05, 0.1, 0.2, 0.3, 0.6, 1.0];

/// The metrics of one daemon.
#[derive(Debug)]
pub struct Metrics {
    registry: Registry,
    readings: IntCounter,
    readings_bad: IntCounter,
    faults: IntCounter,
    cuts: IntCounterVec,
    cut_latency: Histogram,
    requests: IntCounterVec,
    streams: IntGauge,
    gauges: Gauges,
}

#[derive(Debug)]
struct Gauges {
    up: IntGaugeVec,
    current: GaugeVec,
    voltage: GaugeVec,
    power: IntGaugeVec,
    protected: IntGaugeVec,
    locked_out: IntGaugeVec,
    occupied: IntGaugeVec,
    alarms: IntGaugeVec,
    alarms_recent: IntGauge,
    mismatched: IntGaugeVec,
    load: GaugeVec,
    hits: IntGaugeVec,
    throws: IntGaugeVec,
    node: IntGaugeVec,
    link: IntGaugeVec,
    history: IntGauge,
    tick_age: GaugeVec,
}

impl Metrics {
    /// A registry with every metric at nothing.
    ///
    /// # Panics
    /// Never: the names are constants, and a test encodes all of them.
    #[must_use]
    pub fn new() -> Self {
        let registry = Registry::new();
        let it = Self {
            readings: IntCounter::new("checkrail_readings_total", "Readings handled.")
                .expect("constant name"),
            readings_bad: IntCounter::new(
                "checkrail_readings_bad_total",
                "Readings and messages that could not be used.",
            )
            .expect("constant name"),
            faults: IntCounter::new("checkrail_faults_total", "Faults opened.")
                .expect("constant name"),
            cuts: counters("checkrail_cuts_total", "Cuts ordered, by cause.", &["cause"]),
            cut_latency: Histogram::with_opts(
                HistogramOpts::new(
                    "checkrail_cut_latency_seconds",
                    "Time from the reading that decided a cut to the order handed to a link.",
                )
                .buckets(LATENCY_BUCKETS.to_vec()),
            )
            .expect("constant name"),
            requests: counters(
                "checkrail_operator_requests_total",
                "Operators' requests, by what was asked and whether it was done.",
                &["act", "result"],
            ),
            streams: IntGauge::new("checkrail_streams", "Pages that follow the live stream.")
                .expect("constant name"),
            gauges: Gauges::new(),
            registry,
        };
        it.register();
        it
    }

    /// A reading was handled.
    pub fn reading(&self) {
        self.readings.inc();
    }

    /// Many readings were handled.
    pub fn readings(&self, count: u64) {
        self.readings.inc_by(count);
    }

    /// A reading or message could not be used.
    pub fn reading_bad(&self) {
        self.readings_bad.inc();
    }

    /// A fault was opened.
    pub fn fault(&self) {
        self.faults.inc();
    }

    /// A cut was ordered; `cause` is [`supervision::cause::Cause::word`].
    pub fn cut(&self, cause: &'static str) {
        self.cuts.with_label_values(&[cause]).inc();
    }

    /// Time from the reading that decided a cut to the order handed to its link.
    pub fn cut_latency(&self, span: Micros) {
        self.cut_latency.observe(span.seconds());
    }

    /// An operator asked for something.
    pub(crate) fn request(&self, act: &'static str, result: &'static str) {
        self.requests.with_label_values(&[act, result]).inc();
    }

    /// A page follows the stream, until the guard is dropped.
    pub(crate) fn stream(&self) -> StreamGuard {
        self.streams.inc();
        StreamGuard(self.streams.clone())
    }

    /// The text that Prometheus reads, with gauges from `view`.
    #[must_use]
    pub fn text(&self, layout: &Layout, version: &str, view: &View) -> String {
        self.gauges.set(layout, version, view);
        let mut out = Vec::new();
        if TextEncoder::new().encode(&self.registry.gather(), &mut out).is_err() {
            return String::new();
        }
        String::from_utf8(out).unwrap_or_default()
    }

    fn register(&self) {
        let mut all: Vec<Box<dyn prometheus::core::Collector>> = vec![
            Box::new(self.readings.clone()),
            Box::new(self.readings_bad.clone()),
            Box::new(self.faults.clone()),
            Box::new(self.cuts.clone()),
            Box::new(self.cut_latency.clone()),
            Box::new(self.requests.clone()),
            Box::new(self.streams.clone()),
        ];
        all.extend(self.gauges.collectors());
        for one in all {
            self.registry.register(one).expect("every metric has a name of its own");
        }
    }
}

impl Default for Metrics {
    fn default() -> Self {
        Self::new()
    }
}

/// Counts one page for as long as it follows the stream.
#[derive(Debug)]
pub(crate) struct StreamGuard(IntGauge);

impl Drop for StreamGuard {
    fn drop(&mut self) {
        self.0.dec();
    }
}

impl Gauges {
    fn new() -> Self {
        Self {
            up: gauges("checkrail_up", "1 while the daemon runs.", &["version", "layout"]),
            current: decimals("checkrail_current_amperes", "Last good current.", &["of"]),
            voltage: decimals("checkrail_voltage_volts", "Last good voltage.", &["of"]),
            power: gauges("checkrail_power", "1 for the proved state of a feed.", &["of", "state"]),
            protected: gauges("checkrail_protected", "1: its current is fresh and good.", &["of"]),
            locked_out: gauges("checkrail_locked_out", "1: only an operator restores.", &["of"]),
            occupied: gauges("checkrail_block_occupied", "1: occupied.", &["block"]),
            alarms: gauges(
                "checkrail_alarms",
                "Alarms that are not normal.",
                &["kind", "priority"],
            ),
            alarms_recent: IntGauge::new(
                "checkrail_alarms_recent",
                "Alarms raised in the last ten minutes; more than ten is a flood.",
            )
            .expect("constant name"),
            mismatched: gauges("checkrail_frog_wrong", "1: frog on the wrong rail.", &["frog"]),
            load: decimals("checkrail_contact_load_ratio", "Thermal image; 1 is full.", &["pole"]),
            hits: gauges("checkrail_contact_hits", "Fault currents carried.", &["pole"]),
            throws: gauges("checkrail_machine_throws", "Throws seen.", &["machine"]),
            node: gauges("checkrail_node_up", "1: the node lives.", &["node"]),
            link: gauges("checkrail_link_up", "1: the link is connected.", &["link"]),
            history: IntGauge::new("checkrail_history_ok", "1: the history can be written.")
                .expect("constant name"),
            tick_age: decimals(
                "checkrail_supervisor_age_seconds",
                "Time since the supervisor last showed its state.",
                &[],
            ),
        }
    }

    fn collectors(&self) -> Vec<Box<dyn prometheus::core::Collector>> {
        vec![
            Box::new(self.up.clone()),
            Box::new(self.current.clone()),
            Box::new(self.voltage.clone()),
            Box::new(self.power.clone()),
            Box::new(self.protected.clone()),
            Box::new(self.locked_out.clone()),
            Box::new(self.occupied.clone()),
            Box::new(self.alarms.clone()),
            Box::new(self.alarms_recent.clone()),
            Box::new(self.mismatched.clone()),
            Box::new(self.load.clone()),
            Box::new(self.hits.clone()),
            Box::new(self.throws.clone()),
            Box::new(self.node.clone()),
            Box::new(self.link.clone()),
            Box::new(self.history.clone()),
            Box::new(self.tick_age.clone()),
        ]
    }

    fn set(&self, layout: &Layout, version: &str, view: &View) {
        self.up.with_label_values(&[version, layout.name.as_str()]).set(1);
        self.tick_age.with_label_values::<&str>(&[]).set(view.made.elapsed().as_secs_f64());
        self.history.set(i64::from(view.history_ok));
        self.set_feeds(layout, view);
        self.set_alarms(view);
        self.set_contacts(layout, view);
        self.node.reset();
        for node in &view.snapshot.nodes {
            self.node.with_label_values(&[node.name.as_str()]).set(i64::from(node.up));
        }
        self.link.reset();
        for link in &view.links {
            self.link.with_label_values(&[link.name.as_str()]).set(i64::from(link.up));
        }
    }

    fn set_feeds(&self, layout: &Layout, view: &View) {
        // A value that has gone stale is not exported: an old number in a graph looks like a live one.
        self.current.reset();
        self.voltage.reset();
        for (it, feed) in layout.boosters.iter().zip(&view.snapshot.boosters) {
            self.set_feed(&format!("booster/{}", it.id), feed);
        }
        for (it, feed) in layout.districts.iter().zip(&view.snapshot.districts) {
            self.set_feed(&format!("district/{}", it.id), feed);
        }
        self.occupied.reset();
        for (it, block) in layout.blocks.iter().zip(&view.snapshot.blocks) {
            let name = format!("block/{}", it.id);
            if let Some(current) = block.current.filter(|it| !it.stale) {
                self.current.with_label_values(&[&name]).set(current.value.amps());
            }
            let occupied = i64::from(block.occupancy.word() == "yes");
            self.occupied.with_label_values(&[it.id.as_str()]).set(occupied);
        }
    }

    fn set_feed(&self, name: &str, feed: &FeedView) {
        if let Some(current) = feed.current.filter(|it| !it.stale) {
            self.current.with_label_values(&[name]).set(current.value.amps());
        }
        if let Some(voltage) = feed.voltage.filter(|it| !it.stale) {
            self.voltage.with_label_values(&[name]).set(voltage.value.volts());
        }
        for state in POWER_STATES {
            let now = i64::from(feed.power == state);
            self.power.with_label_values(&[name, state.word()]).set(now);
        }
        self.protected.with_label_values(&[name]).set(i64::from(feed.protected));
        self.locked_out.with_label_values(&[name]).set(i64::from(feed.locked_out));
    }

    fn set_alarms(&self, view: &View) {
        self.alarms.reset();
        for alarm in &view.snapshot.alarms {
            let kind = alarm.alarm.kind.word();
            self.alarms.with_label_values(&[kind, alarm.priority.word()]).inc();
        }
        let recent = i64::try_from(view.snapshot.alarms_in_ten_minutes).unwrap_or(i64::MAX);
        self.alarms_recent.set(recent);
    }

    fn set_contacts(&self, layout: &Layout, view: &View) {
        for (it, frog) in layout.frogs.iter().zip(&view.snapshot.frogs) {
            self.mismatched.with_label_values(&[&it.id]).set(i64::from(frog.mismatched));
        }
        for (at, pole) in view.snapshot.poles.iter().enumerate().take(layout.poles.len()) {
            let name = layout.pole_name(wiring::index::PoleIx::new(at));
            self.load.with_label_values(&[&name]).set(f64::from(pole.image) / 1000.0);
            self.hits.with_label_values(&[&name]).set(i64::from(pole.hits));
        }
        for (it, machine) in layout.machines.iter().zip(&view.snapshot.machines) {
            self.throws.with_label_values(&[&it.id]).set(i64::from(machine.throws));
        }
    }
}

/// Every state, so that a state left goes to 0 and does not stay at 1.
const POWER_STATES: [PowerState; 6] = [
    PowerState::Unknown,
    PowerState::On,
    PowerState::Cutting,
    PowerState::Cut,
    PowerState::CutFailed,
    PowerState::Restoring,
];

fn counters(name: &str, help: &str, labels: &[&str]) -> IntCounterVec {
    IntCounterVec::new(Opts::new(name, help), labels).expect("constant name")
}

fn gauges(name: &str, help: &str, labels: &[&str]) -> IntGaugeVec {
    IntGaugeVec::new(Opts::new(name, help), labels).expect("constant name")
}

fn decimals(name: &str, help: &str, labels: &[&str]) -> GaugeVec {
    GaugeVec::new(Opts::new(name, help), labels).expect("constant name")
}
