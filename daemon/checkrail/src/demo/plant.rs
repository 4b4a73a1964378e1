//! The simulated layout in real time: lets the world advance, hands its readings to the nodes, and what the nodes
//! switch back to the world.

mod helper;
mod pace;

use std::{
    sync::Arc,
    time::{Duration, Instant},
};

use dashboard::Window;
use simulator::{SimReading, Truth, World};
use tokio::{
    sync::{mpsc, oneshot},
    task::JoinHandle,
    time::{MissedTickBehavior, interval},
};
use tracing::{debug, info};
use wiring::{channel::ChannelTable, layout::Layout};

pub use self::pace::NodeClock;
use self::{helper::Helper, pace::Pace};
use super::node::{Node, Switch, Told};

/// How often the plant looks at its clock.
const STEP: Duration = Duration::from_millis(10);

/// A running plant.
pub struct Plant {
    stop: oneshot::Sender<()>,
    task: JoinHandle<()>,
}

/// Where and how fast it runs.
pub struct Setting {
    /// Root of the topics.
    pub root: String,
    /// Host and port of the broker.
    pub broker: (String, u16),
    /// Railroad seconds per second.
    pub speed: f64,
    /// What commissioning asks for shows there.
    pub window: Arc<Window>,
}

impl Plant {
    /// Starts `world` now.
    #[must_use]
    pub fn start(
        world: World,
        layout: Arc<Layout>,
        channels: Arc<ChannelTable>,
        setting: Setting,
    ) -> Self {
        let (stop, stopped) = oneshot::channel();
        let task = tokio::spawn(run(world, layout, channels, setting, stopped));
        Self { stop, task }
    }

    /// Stops it: the nodes vanish without a word.
    pub async fn stop(self) {
        // It may have ended already.
        let _ = self.stop.send(());
        let _ = self.task.await;
    }
}

async fn run(
    mut world: World,
    layout: Arc<Layout>,
    channels: Arc<ChannelTable>,
    setting: Setting,
    mut stopped: oneshot::Receiver<()>,
) {
    let (sender, mut told) = mpsc::unbounded_channel();
    let broker = (setting.broker.0.as_str(), setting.broker.1);
    let mut nodes: Vec<Node> = world
        .nodes()
        .iter()
        .enumerate()
        .map(|(place, plan)| {
            Node::connect(place, plan.clone(), &setting.root, broker, &channels, sender.clone())
        })
        .collect();
    let mut pace = Pace::new(Instant::now(), setting.speed);
    let mut helper = Helper::new(setting.window, &layout, Instant::now());
    let mut step = interval(STEP);
    step.set_missed_tick_behavior(MissedTickBehavior::Delay);
    let mut batches: Vec<Vec<SimReading>> = vec![Vec::new(); nodes.len()];
    loop {
        let switched = tokio::select! {
            _ = &mut stopped => break,
            Some(Told { node, what }) = told.recv() => nodes[node].hear(what, &channels),
            _ = step.tick() => {
                let now = Instant::now();
                let switched = nodes.iter_mut().flat_map(|node| node.pass(now)).collect();
                world.hold(helper.hold(now));
                pace.advance(&mut world, now);
                while let Some(reading) = world.poll_reading() {
                    batches[reading.node].push(reading);
                }
                for (node, batch) in nodes.iter_mut().zip(&mut batches) {
                    node.measure(batch, &channels, pace.clock());
                    batch.clear();
                }
                switched
            }
        };
        for Switch { channel, word } in switched {
            debug!(channel = channels.name(channel), word, "PlantSwitched");
            world.order(channel, word, world.now());
        }
        while let Some(event) = world.poll_truth() {
            tell(&event.what, &layout);
        }
    }
    for node in &nodes {
        node.disconnect();
    }
}

/// The truth behind the demo, for who reads the log beside the page.
fn tell(truth: &Truth, layout: &Layout) {
    match truth {
        Truth::FaultStarted(report) => {
            info!(
                scenario = report.scenario,
                culprit = report.subject,
                place = report.place,
                amps = report.amps,
                "the demo has made a fault"
            );
        }
        Truth::FaultEnded { number, .. } => {
            info!(number, "the crew has cleared the track: restore the district from the page");
        }
        Truth::ContactBurnt(pole) | Truth::ContactWelded(pole, _) => {
            info!(contact = layout.pole_name(*pole), "a contact of the demo is damaged");
        }
        Truth::FaultSkipped { scenario } => {
            info!(scenario, "a fault of the demo found no place on this layout");
        }
        Truth::ShortBegan { .. }
        | Truth::ShortEnded
        | Truth::BreakerOpened(_)
        | Truth::BreakerClosed(_)
        | Truth::BoosterTripped(_)
        | Truth::BoosterRecovered(_)
        | Truth::DistrictCut(_)
        | Truth::DistrictRestored(_)
        | Truth::BoosterCut(_)
        | Truth::BoosterRestored(_)
        | Truth::ContactHit { .. }
        | Truth::ContactArced { .. }
        | Truth::ContactRepaired(_)
        | Truth::ThrowBegan(..)
        | Truth::ThrowEnded(..)
        | Truth::ReverserFlipped(..)
        | Truth::TrainMoved { .. }
        | Truth::TrainPlaced { .. } => debug!(?truth, "Truth"),
    }
}
