//! `checkrail demo`: everything at work without hardware. The simulated layout is measured and switched by nodes that
//! speak to the daemon over MQTT, exactly as real ones do.

mod node;
mod plant;

use std::path::{Path, PathBuf};

use simulator::{FaultPlan, Plan, Planned, World};
use wiring::{
    links::BrokerAddress,
    protection::PowerOn,
    units::{Micros, Mono},
};

use crate::{
    cli::DemoArgs,
    exit::{Exit, Failure},
    print,
    run::{Daemon, Setup},
    source::{Loaded, Source},
};

/// The demo's layout file, part of the program.
const VALLEY: &str = include_str!("../../../config/tamarrow-valley.toml");

/// Quiet time between two faults of the demo.
const FAULT_EVERY: Micros = Micros::from_millis(90_000);

/// The latest second at which a fault may be planned: that of the longest simulation.
const SECONDS_MAX: f64 = 3_600_000.0;

/// Runs `demo`.
///
/// # Errors
/// [`Failure`] when the layout has errors or an address is taken.
pub fn run(args: &DemoArgs) -> Result<Exit, Failure> {
    if !(0.1..=10.0).contains(&args.speed) {
        return Err(Failure::Argument(format!("--speed {} needs 0.1 to 10", args.speed)));
    }
    let source = match &args.layout {
        Some(path) => Source::open(path)?,
        None => Source::from_text(Path::new("tamarrow-valley.toml"), VALLEY.to_owned()),
    };
    let loaded = source.require()?;
    let plan = plan(args)?;
    let scratch = Scratch::new(args.data.clone())?;
    let mut setup = Setup::new(prepared(&loaded, args)?);
    setup.listen.clone_from(&args.listen);
    setup.data = scratch.path.clone();
    setup.token.clone_from(&args.token);
    setup.demo = true;
    crate::run::block_on(go(setup, plan, args.speed))
}

async fn go(setup: Setup, plan: Plan, speed: f64) -> Result<Exit, Failure> {
    let loaded = setup.loaded.clone();
    let root = loaded.layout.links.mqtt.as_ref().map_or("checkrail", |mqtt| &mqtt.root).to_owned();
    let daemon = Daemon::start(setup).await?;
    let broker = daemon
        .broker()
        .ok_or_else(|| Failure::Argument("the demo has no broker to speak to".to_owned()))?;
    let world = World::new(loaded.layout.clone(), loaded.channels.clone(), plan);
    let setting = plant::Setting { root, broker, speed, window: daemon.window() };
    let plant = plant::Plant::start(world, loaded.layout.clone(), loaded.channels.clone(), setting);
    greet(&loaded, &daemon)?;
    let exit = daemon.until_stopped().await;
    // The nodes outlive the daemon, so that its last cuts reach them.
    plant.stop().await;
    exit
}

fn greet(loaded: &Loaded, daemon: &Daemon) -> Result<(), Failure> {
    let layout = &loaded.layout;
    print::line(&format!(
        "{}: a simulated layout of {} districts and {} pieces of trackwork. Nothing here is wired.",
        layout.name,
        layout.districts.len(),
        layout.trackwork.len()
    ))?;
    print::line(&format!("dashboard:      http://{}/", daemon.address()))?;
    print::line(&format!("operator token: {}", daemon.token()))?;
    if let Some((host, port)) = daemon.broker() {
        print::line(&format!("broker:         mqtt://{host}:{port}"))?;
    }
    print::line(
        "A train runs into a turnout set against it within half a minute. Ctrl-C ends the demo.",
    )
}

/// The layout with the demo's own links and rules.
fn prepared(loaded: &Loaded, args: &DemoArgs) -> Result<Loaded, Failure> {
    let mut layout = (*loaded.layout).clone();
    let broker = match &args.broker {
        None => BrokerAddress::Embedded { listen: "127.0.0.1:0".to_owned() },
        Some(address) => external(address)?,
    };
    let mqtt = layout.links.mqtt.take();
    layout.links = wiring::links::LinkSettings {
        mqtt: Some(wiring::links::MqttSettings {
            name: "mqtt".to_owned(),
            version: wiring::links::MqttVersion::default(),
            broker,
            root: mqtt.map_or_else(|| "checkrail".to_owned(), |mqtt| mqtt.root),
            client_id: "checkrail".to_owned(),
            user: None,
            password_file: None,
            ca_file: None,
            client_certificate: None,
            map: Vec::new(),
            out: Vec::new(),
        }),
        ..wiring::links::LinkSettings::default()
    };
    let table = &mut layout.protection;
    table.layout.power_on = PowerOn::Auto;
    for settings in &mut table.districts {
        settings.power_on = PowerOn::Auto;
    }
    Ok(Loaded { layout: layout.into(), ..loaded.clone() })
}

fn external(address: &str) -> Result<BrokerAddress, Failure> {
    let parsed = address.strip_prefix("mqtt://").and_then(|rest| {
        let (host, port) = rest.rsplit_once(':')?;
        Some(BrokerAddress::External {
            host: host.to_owned(),
            port: port.parse().ok()?,
            tls: false,
        })
    });
    parsed.ok_or_else(|| {
        Failure::Argument(format!("--broker {address} needs the form mqtt://HOST:PORT"))
    })
}

fn plan(args: &DemoArgs) -> Result<Plan, Failure> {
    let mut plan = Plan::show(args.seed, FAULT_EVERY);
    plan.faults = fault_plan(&args.faults, plan.faults)?;
    // Its nodes speak over a real broker on this machine: what that loses is enough, and an alarm of a message that came
    // twice would stand between the visitor and the fault that is shown.
    plan.perturbation.trouble = 0.0;
    Ok(plan)
}

/// `on`, `off`, or scenarios one after the other: the first at 20 s, each a minute after the one before, or at the
/// second given with it.
///
/// # Errors
/// [`Failure::Argument`] for a scenario that there is not, or a second that is none.
pub fn fault_plan(text: &str, on: FaultPlan) -> Result<FaultPlan, Failure> {
    match text {
        "on" => Ok(on),
        "off" => Ok(FaultPlan::None),
        list => {
            let planned =
                list.split(',').enumerate().map(|(place, one)| planned(place, one.trim()));
            Ok(FaultPlan::List(planned.collect::<Result<_, _>>()?))
        }
    }
}

fn planned(place: usize, text: &str) -> Result<Planned, Failure> {
    let (id, second) = match text.split_once('@') {
        None => (text, (20 + 60 * place) as f64),
        Some((id, second)) => {
            let second = second.trim_end_matches('s').trim().parse::<f64>().ok();
            let second = second.filter(|it| (0.0..=SECONDS_MAX).contains(it));
            let wrong = || {
                Failure::Argument(format!(
                    "--faults: `{text}` needs a second after @, as in F01@20"
                ))
            };
            (id, second.ok_or_else(wrong)?)
        }
    };
    let scenario = simulator::scenario::find(id).ok_or_else(|| {
        Failure::Argument(format!(
            "--faults: there is no scenario `{id}`; `checkrail simulate --list` names them all"
        ))
    })?;
    Ok(Planned { at: Mono((second * 1e6) as u64), scenario: scenario.id })
}

/// A folder for the demo's history: the one asked for, or one that goes with the demo.
struct Scratch {
    path: PathBuf,
    temporary: bool,
}

impl Scratch {
    fn new(asked: Option<PathBuf>) -> Result<Self, Failure> {
        if let Some(path) = asked {
            return Ok(Self { path, temporary: false });
        }
        let path = std::env::temp_dir().join(format!("checkrail-demo-{}", std::process::id()));
        std::fs::create_dir_all(&path)
            .map_err(|source| Failure::Write { path: path.clone(), error: source })?;
        Ok(Self { path, temporary: true })
    }
}

impl Drop for Scratch {
    fn drop(&mut self) {
        if self.temporary {
            // The system's own cleaning takes what is left if this fails.
            let _ = std::fs::remove_dir_all(&self.path);
        }
    }
}
