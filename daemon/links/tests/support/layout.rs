//! A layout small enough to be made by hand: one booster, two districts, a block, a machine and its frog.

use std::{collections::BTreeMap, sync::Arc};

use wiring::{
    channel::ChannelTable,
    index::{BoosterIx, DistrictIx, TrackworkIx},
    layout::{
        Block, Booster, Breaker, BreakerKind, Conductor, Control, District, Frog, Layout, Machine,
        Span, Supply, Tie, Wire,
    },
    links::LinkSettings,
    protection::ProtectionTable,
    trackwork::FrogName,
    units::{Gauge, Microamps, Micrometres, Microohms, Micros, Millicelsius, Millivolts},
};

/// Its channels.
pub(crate) fn channels() -> Arc<ChannelTable> {
    Arc::new(ChannelTable::new(&layout()))
}

const WIRE: Wire = Wire { gauge: Gauge::Awg(14), length: Micrometres(1_000_000), pairs: 1 };

fn layout() -> Layout {
    let span = Span::default();
    Layout {
        name: "Tamarrow Valley".to_owned(),
        control: Control::Dcc,
        ambient: Millicelsius(20_000),
        boosters: vec![Booster {
            id: "main".to_owned(),
            span,
            volts: Millivolts(15_000),
            limit: Microamps(5_000_000),
            trip_delay: Micros(500_000),
            resistance: Microohms(50_000),
            cut: true,
            opens_in: Micros(10_000),
        }],
        districts: ["quarry", "yard"].map(district).to_vec(),
        blocks: vec![Block {
            id: "q1".to_owned(),
            span,
            district: DistrictIx(0),
            feeder: WIRE,
            standing_load: Microamps::ZERO,
            left: Conductor::A,
            reverser: None,
        }],
        tracks: Vec::new(),
        joints: Vec::new(),
        trackwork: Vec::new(),
        frogs: vec![frog()],
        machines: vec![machine()],
        poles: Vec::new(),
        reversers: Vec::new(),
        colours: BTreeMap::new(),
        protection: ProtectionTable::default(),
        links: LinkSettings::default(),
        assumed: Vec::new(),
    }
}

fn district(id: &str) -> District {
    let (span, ohms_hot) = (Span::default(), None);
    let breaker =
        Breaker { kind: BreakerKind::None, trip: None, delay: Micros::ZERO, ohms_hot, span };
    District {
        id: id.to_owned(),
        span,
        booster: BoosterIx(0),
        breaker,
        bus: WIRE,
        cut: true,
        opens_in: Micros(10_000),
    }
}

fn machine() -> Machine {
    Machine {
        id: "T14".to_owned(),
        span: Span::default(),
        poles: Vec::new(),
        contact_rating: Microamps(1_000_000),
        contact_resistance: Microohms(20_000),
        contact_time_constant: Micros(2_000_000),
        throw_time: Micros(1_000_000),
        supply: Supply::Own,
        uses: Vec::new(),
        terminals: BTreeMap::new(),
        time_constant_assumed: true,
    }
}

fn frog() -> Frog {
    let span = Span::default();
    Frog {
        id: "T14".to_owned(),
        span,
        trackwork: TrackworkIx(0),
        name: FrogName::Only,
        poles: Vec::new(),
        normal: Tie::Bus(Conductor::A),
        normal_span: span,
        reverse: Tie::Bus(Conductor::B),
        reverse_span: span,
        feed: WIRE,
        limiter: None,
        proved: false,
        fixed: None,
    }
}
