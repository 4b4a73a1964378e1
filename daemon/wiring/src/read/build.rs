//! Second pass: the meaning. Resolves references and builds the model. What has a broken reference is left out, and
//! what refers to it does not complain again.

use std::collections::BTreeMap;

use super::{
    Changes,
    error::{FileError, FileErrorKind},
    fields::{Data, Fields, Node},
    names::{Found, Names},
};
use crate::{
    grammar::Referent,
    index::{BlockIx, BoosterIx, DistrictIx, JointIx, MachineIx, TrackworkIx},
    layout::{
        Assumed, Block, Booster, Breaker, BreakerKind, Conductor, Control, District, Layout,
        Reverser, Span, Wire,
    },
    units::{Gauge, Microamps, Micrometres, Microohms, Micros, Millicelsius, Millivolts},
};

/// The model as far as it is built.
#[derive(Debug)]
pub(super) struct Build<'f> {
    /// The file after the first pass.
    pub(super) root: &'f Fields,
    /// What is built.
    pub(super) layout: Layout,
    /// What is wrong.
    pub(super) errors: Vec<FileError>,
    /// Subjects that had to be left out.
    pub(super) left_out: Vec<String>,
    pub(super) boosters: Names<BoosterIx>,
    pub(super) districts: Names<DistrictIx>,
    pub(super) blocks: Names<BlockIx>,
    pub(super) machines: Names<MachineIx>,
    pub(super) trackwork: Names<TrackworkIx>,
    /// Named ends.
    pub(super) joints: BTreeMap<String, JointIx>,
    /// By track: where its ends are written.
    pub(super) track_ends: Vec<[Span; 2]>,
    /// The text of the file, for values that are repeated as written.
    pub(super) text: &'f str,
    /// Settings of protection from a second text.
    pub(super) changes: Option<Changes<'f>>,
    /// What is wrong with them.
    pub(super) change_errors: Vec<FileError>,
}

impl<'f> Build<'f> {
    pub(super) fn new(text: &'f str, root: &'f Fields, assumed: Vec<Assumed>) -> Self {
        Self {
            root,
            layout: empty(root, assumed),
            errors: Vec::new(),
            left_out: Vec::new(),
            boosters: Names::new(Referent::Booster),
            districts: Names::new(Referent::District),
            blocks: Names::new(Referent::Block),
            machines: Names::new(Referent::Machine),
            trackwork: Names::new(Referent::Trackwork),
            joints: BTreeMap::new(),
            track_ends: Vec::new(),
            text,
            changes: None,
            change_errors: Vec::new(),
        }
    }

    /// Everything, in the order in which things refer to each other.
    pub(super) fn all(&mut self) {
        self.boosters();
        self.districts();
        self.blocks();
        self.machines();
        self.trackwork();
        self.tracks();
        self.reversers();
        self.colours();
        self.protection();
        self.links();
        if self.root.by_id("district").is_empty() && !self.root.is_broken("district") {
            self.error(Span::default(), "layout", FileErrorKind::Empty);
        }
    }

    pub(super) fn error(&mut self, span: Span, subject: &str, kind: FileErrorKind) {
        let subject = subject.to_owned();
        self.errors.push(FileError { span, also: Vec::new(), subject, kind });
    }

    pub(super) fn error_with(
        &mut self,
        span: Span,
        also: (Span, &'static str),
        subject: &str,
        kind: FileErrorKind,
    ) {
        self.error(span, subject, kind);
        if let Some(error) = self.errors.last_mut() {
            error.also.push(also);
        }
    }

    pub(super) fn assume(&mut self, subject: &str, key: &'static str, value: impl Into<String>) {
        let (subject, value) = (subject.to_owned(), value.into());
        self.layout.assumed.push(Assumed { subject, key, value });
    }

    /// The index behind a found name; complains when there is nothing.
    pub(super) fn settle<I>(&mut self, found: Found<I>, span: Span, subject: &str) -> Option<I> {
        match found {
            Found::Yes(index) => Some(index),
            Found::LeftOut => None,
            Found::No(kind) => {
                self.error(span, subject, kind);
                None
            }
        }
    }

    fn boosters(&mut self) {
        for entry in self.root.by_id("booster") {
            let booster = entry.item.as_ref().and_then(|it| booster(&entry.id, it));
            let index = booster.map(|booster| {
                self.layout.boosters.push(booster);
                BoosterIx::new(self.layout.boosters.len() - 1)
            });
            self.declared(index.is_some(), "booster", &entry.id);
            self.boosters.declare(&entry.id, index);
        }
    }

    fn districts(&mut self) {
        for entry in self.root.by_id("district") {
            let index = entry.item.as_ref().and_then(|it| self.district(&entry.id, it));
            self.declared(index.is_some(), "district", &entry.id);
            self.districts.declare(&entry.id, index);
        }
    }

    fn district(&mut self, id: &str, it: &Fields) -> Option<DistrictIx> {
        let found = self.boosters.find(it.text("booster")?);
        let booster = self.settle(found, it.span_of("booster"), &it.subject)?;
        if !it.is_stated("breaker") {
            self.assume(&it.subject, "breaker", "none");
        }
        self.layout.districts.push(District {
            id: id.to_owned(),
            span: it.span,
            booster,
            breaker: breaker(it),
            bus: wire(it.table("bus")),
            cut: it.flag("cut").unwrap_or(false),
            opens_in: micros(it, "opens-in"),
            averaging: it.magnitude("averaging").map(Micros),
        });
        Some(DistrictIx::new(self.layout.districts.len() - 1))
    }

    fn blocks(&mut self) {
        for entry in self.root.by_id("block") {
            let index = entry.item.as_ref().and_then(|it| self.block(&entry.id, it));
            self.declared(index.is_some(), "block", &entry.id);
            self.blocks.declare(&entry.id, index);
        }
    }

    fn block(&mut self, id: &str, it: &Fields) -> Option<BlockIx> {
        let found = self.districts.find(it.text("district")?);
        let district = self.settle(found, it.span_of("district"), &it.subject)?;
        self.layout.blocks.push(Block {
            id: id.to_owned(),
            span: it.span,
            district,
            feeder: wire(it.table("feeder")),
            standing_load: microamps(it, "standing-load"),
            left: conductor(it, "left").unwrap_or(Conductor::A),
            reverser: None,
        });
        Some(BlockIx::new(self.layout.blocks.len() - 1))
    }

    fn reversers(&mut self) {
        for entry in self.root.by_id("reverser") {
            let made = entry.item.as_ref().and_then(|it| self.reverser(&entry.id, it));
            self.declared(made.is_some(), "reverser", &entry.id);
        }
    }

    fn reverser(&mut self, id: &str, it: &Fields) -> Option<()> {
        let found = self.blocks.find(it.text("block")?);
        let block = self.settle(found, it.span_of("block"), &it.subject)?;
        if let Some(first) = self.layout.blocks[block.at()].reverser {
            let first = &self.layout.reversers[first.at()];
            let (span, first) = (first.span, first.id.clone());
            let block = self.layout.blocks[block.at()].id.clone();
            let kind = FileErrorKind::ReverserDoubled { block, first };
            self.error_with(it.span_of("block"), (span, "the first one"), &it.subject, kind);
            return None;
        }
        let index = crate::index::ReverserIx::new(self.layout.reversers.len());
        self.layout.blocks[block.at()].reverser = Some(index);
        self.layout.reversers.push(Reverser { id: id.to_owned(), span: it.span, block });
        Some(())
    }

    fn colours(&mut self) {
        for entry in self.root.map("colours") {
            if let Some(colour) = entry.item.as_ref().and_then(Node::text) {
                self.layout.colours.insert(entry.id.clone(), colour.to_owned());
            }
        }
    }

    /// Remembers what had to be left out.
    pub(super) fn declared(&mut self, is_in: bool, kind: &str, id: &str) {
        if !is_in {
            self.left_out.push(format!("{kind}/{id}"));
        }
    }
}

fn empty(root: &Fields, assumed: Vec<Assumed>) -> Layout {
    let nothing = Fields::default();
    let about = root.table("layout").unwrap_or(&nothing);
    let ambient = about.amount("ambient").and_then(|value| i32::try_from(value).ok());
    let usual = Layout::default();
    Layout {
        name: about.owned("name").unwrap_or(usual.name),
        control: if about.word("control") == Some("dc") { Control::Dc } else { usual.control },
        ambient: ambient.map_or(usual.ambient, Millicelsius),
        assumed,
        ..usual
    }
}

/// None when a value that must be there is not; the first pass has said so.
fn booster(id: &str, it: &Fields) -> Option<Booster> {
    Some(Booster {
        id: id.to_owned(),
        span: it.span,
        volts: Millivolts(it.amount("volts")?),
        limit: Microamps(it.amount("limit")?),
        trip_delay: micros(it, "trip-delay"),
        resistance: Microohms(it.magnitude("resistance")?),
        cut: it.flag("cut").unwrap_or(false),
        opens_in: micros(it, "opens-in"),
    })
}

fn breaker(district: &Fields) -> Breaker {
    let Some(it) = district.table("breaker") else {
        return Breaker {
            kind: BreakerKind::None,
            trip: None,
            delay: Micros::ZERO,
            ohms_hot: None,
            span: district.span,
        };
    };
    let kind = match it.word("kind") {
        Some("electronic") => BreakerKind::Electronic,
        Some("fuse") => BreakerKind::Fuse,
        Some("ptc") => BreakerKind::Ptc,
        Some("lamp") => BreakerKind::Lamp,
        _ => BreakerKind::None,
    };
    Breaker {
        kind,
        trip: it.amount("trip").map(Microamps),
        delay: micros(it, "delay"),
        ohms_hot: it.magnitude("ohms-hot").map(Microohms),
        span: it.span,
    }
}

/// A wire; defaults are in the table already.
pub(super) fn wire(it: Option<&Fields>) -> Wire {
    let length = it.and_then(|it| it.magnitude("length")).unwrap_or(0);
    let pairs = it.and_then(|it| it.count("pairs")).and_then(|count| u16::try_from(count).ok());
    Wire {
        gauge: it.and_then(|it| it.gauge("gauge")).unwrap_or(Gauge::Awg(20)),
        length: Micrometres(length),
        pairs: pairs.unwrap_or(1),
    }
}

pub(super) fn micros(it: &Fields, key: &str) -> Micros {
    Micros(it.magnitude(key).unwrap_or(0))
}

fn microamps(it: &Fields, key: &str) -> Microamps {
    Microamps(it.amount(key).unwrap_or(0))
}

pub(super) fn conductor(it: &Fields, key: &str) -> Option<Conductor> {
    match it.word(key)? {
        "B" => Some(Conductor::B),
        _ => Some(Conductor::A),
    }
}

/// The texts of a list.
pub(super) fn texts(node: &Node) -> Vec<String> {
    let Data::List(items) = &node.data else { return Vec::new() };
    items.iter().filter_map(|item| item.text().map(str::to_owned)).collect()
}
