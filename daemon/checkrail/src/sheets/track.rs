//! Trackwork as a simple drawing, seen from above, the points (or end a) at the bottom.
//!
//! Not to scale: what matters is which rail is which. Rails are curves of our own making with a break where they are
//! cut around a frog. Units: those of the drawing's own grid, y downwards.

use wiring::{
    layout::{Conductor, Side, Tie, Trackwork},
    trackwork::{FrogName, Hand, Kind, Leg, Port},
};

/// A place on the grid.
pub type Point = (f64, f64);

/// Width of every drawing.
pub const WIDTH: f64 = 200.0;
/// The middle.
const MIDDLE: f64 = WIDTH / 2.0;
/// Half the distance of two rails of a track.
const HALF: f64 = 14.0;
/// Where the rails begin, at the points or at end a.
pub const NEAR: f64 = 146.0;
/// Where they end.
pub const FAR: f64 = 14.0;
/// How far a leg goes to the side.
const REACH: f64 = 56.0;
/// Share of the way at which the letter of a rail stands.
const LETTERS: f64 = 0.93;
/// Share of the way at which the points begin.
const TIPS: f64 = 0.08;

/// One thing of a drawing.
#[derive(Clone, Debug, PartialEq)]
pub enum Shape {
    /// A line through these places.
    Line(&'static str, Vec<Point>),
    /// A filled circle.
    Dot(&'static str, Point, f64),
    /// A text.
    Text(&'static str, Point, Anchor, String),
}

/// Which part of a text stands at its place.
#[derive(Clone, Copy, Debug, Eq, PartialEq)]
pub enum Anchor {
    /// Its left end.
    Start,
    /// Its middle.
    Middle,
    /// Its right end.
    End,
}

/// The conductors at a port, left and right, looking in from there.
pub type PortRails = [(Port, [Option<Conductor>; 2])];

/// Trackwork drawn, and where wires may join it.
#[derive(Clone, Debug, Default)]
pub struct Plan {
    /// Rails, letters and names.
    pub shapes: Vec<Shape>,
    /// Its frogs.
    pub frogs: Vec<(FrogName, Point)>,
    /// Rails to which contacts are tied.
    pub ties: Vec<(Tie, Point)>,
}

impl Plan {
    /// Trackwork with these conductors at its ports.
    #[must_use]
    pub fn new(it: &Trackwork, rails: &PortRails) -> Self {
        match &it.kind {
            Kind::Turnout { normal, .. } => fan(&turnout_legs(it.hand), *normal, rails),
            Kind::ThreeWay { .. } => fan(&THREE_WAY, Leg::Centre, rails),
            Kind::Crossing { .. } => diamond(&[], rails),
            Kind::DoubleSlip { .. } => diamond(&[Side::Left, Side::Right], rails),
            Kind::SingleSlip { slip: Port::ARight, .. } => diamond(&[Side::Right], rails),
            Kind::SingleSlip { .. } => diamond(&[Side::Left], rails),
        }
    }

    /// Where a frog lies.
    #[must_use]
    pub fn frog(&self, name: FrogName) -> Option<Point> {
        self.frogs.iter().find(|(it, _)| *it == name).map(|(_, at)| *at)
    }

    /// Where a wire joins a rail; none for a bus.
    #[must_use]
    pub fn tie(&self, tie: Tie) -> Option<Point> {
        self.ties.iter().find(|(it, _)| *it == tie).map(|(_, at)| *at)
    }

    fn rail(&mut self, points: Vec<Point>) {
        self.shapes.push(Shape::Line("rail", points));
    }

    fn text(&mut self, at: Point, anchor: Anchor, text: &str) {
        self.shapes.push(Shape::Text("", at, anchor, text.to_owned()));
    }

    /// The letter of a rail, on the rail itself.
    fn letter(&mut self, rails: &PortRails, port: Port, side: Side, (x, y): Point) {
        let of_port = rails.iter().find(|(it, _)| *it == port);
        let conductor = of_port.and_then(|(_, both)| match side {
            Side::Left => both[0],
            Side::Right => both[1],
        });
        if let Some(conductor) = conductor {
            let word = conductor.word().to_owned();
            self.shapes.push(Shape::Text("letter", (x, y + 4.0), Anchor::Middle, word));
        }
    }
}

/// A leg of a turnout: which one, how far it goes to the right.
type Fanned = (Leg, f64);

const THREE_WAY: [Fanned; 3] = [(Leg::Left, -REACH), (Leg::Centre, 0.0), (Leg::Right, REACH)];

fn turnout_legs(hand: Option<Hand>) -> [Fanned; 2] {
    match hand {
        Some(Hand::Left) => [(Leg::Left, -REACH), (Leg::Right, 0.0)],
        Some(Hand::Right) | None => [(Leg::Left, 0.0), (Leg::Right, REACH)],
        Some(Hand::Wye) => [(Leg::Left, -REACH * 0.6), (Leg::Right, REACH * 0.6)],
    }
}

/// A rail of a leg: `reach` as its leg, on `side` of it.
#[derive(Clone, Copy)]
struct Strand {
    centre: f64,
    reach: f64,
    side: f64,
    /// At its tip, how far it stands off its stock rail.
    open: f64,
}

impl Strand {
    fn at(self, share: f64) -> Point {
        let off = self.open * (1.0 - share / 0.45).max(0.0);
        let x =
            self.reach.mul_add(share.powf(1.5), self.centre) + self.side - self.side.signum() * off;
        (x, (FAR - NEAR).mul_add(share, NEAR))
    }

    fn between(self, from: f64, to: f64) -> Vec<Point> {
        const STEPS: u8 = 14;
        (0..=STEPS)
            .map(|step| self.at((to - from).mul_add(f64::from(step) / f64::from(STEPS), from)))
            .collect()
    }
}

/// Where the right rail of one leg meets the left rail of a leg further right.
fn crossing_of(one: f64, two: f64) -> f64 {
    (2.0 * HALF / (two - one)).powf(1.0 / 1.5)
}

/// Legs that spread from one pair of stock rails.
fn fan(legs: &[Fanned], lined: Leg, rails: &PortRails) -> Plan {
    let mut plan = Plan::default();
    let reaches: f64 = legs.iter().map(|(_, reach)| reach).sum();
    let centre = MIDDLE - reaches / 2.5;
    for (at, (leg, reach)) in legs.iter().enumerate() {
        let open = if *leg == lined { 0.0 } else { 6.0 };
        let strand = |side: f64, open: f64| Strand { centre, reach: *reach, side, open };
        let right_of = legs[at + 1..].iter().map(|(_, other)| crossing_of(*reach, *other));
        let left_of = legs[..at].iter().map(|(_, other)| crossing_of(*other, *reach));
        if at == 0 {
            plan.rail(strand(-HALF, 0.0).between(0.0, 1.0));
        } else {
            cut_rail(&mut plan, strand(-HALF, open), left_of.collect());
        }
        if at + 1 == legs.len() {
            plan.rail(strand(HALF, 0.0).between(0.0, 1.0));
        } else {
            cut_rail(&mut plan, strand(HALF, open), right_of.collect());
        }
        leg_texts(&mut plan, *leg, strand(0.0, 0.0).at(1.0).0, *leg == lined);
        let (port, _) = leg_words(*leg);
        // looking in from a leg, left and right are exchanged
        plan.letter(rails, port, Side::Right, strand(-HALF, 0.0).at(LETTERS));
        plan.letter(rails, port, Side::Left, strand(HALF, 0.0).at(LETTERS));
    }
    fan_frogs(&mut plan, legs, centre);
    near_end(&mut plan, centre, rails);
    plan
}

/// A rail that starts at the points and is cut before and behind each frog.
fn cut_rail(plan: &mut Plan, strand: Strand, mut frogs: Vec<f64>) {
    const FROG: f64 = 0.055;
    const GAP: f64 = 0.03;
    frogs.sort_by(f64::total_cmp);
    let mut from = TIPS;
    for frog in frogs {
        plan.rail(strand.between(from, frog - FROG - GAP));
        plan.shapes.push(Shape::Line("frog", strand.between(frog - FROG, frog + FROG)));
        from = frog + FROG + GAP;
    }
    plan.rail(strand.between(from, 1.0));
}

fn fan_frogs(plan: &mut Plan, legs: &[Fanned], centre: f64) {
    for (at, (one, reach)) in legs.iter().enumerate() {
        for (two, other) in &legs[at + 1..] {
            let name = match (legs.len(), one, two) {
                (3, Leg::Left, Leg::Centre) => FrogName::Left,
                (3, Leg::Left, Leg::Right) => FrogName::Middle,
                (3, ..) => FrogName::Right,
                _ => FrogName::Only,
            };
            let strand = Strand { centre, reach: *reach, side: HALF, open: 0.0 };
            let place = strand.at(crossing_of(*reach, *other));
            plan.frogs.push((name, place));
            let word = if name == FrogName::Only { "frog" } else { name.word() };
            frog_text(plan, (legs, centre), crossing_of(*reach, *other), name, word);
        }
    }
}

/// The name of a frog, outside all rails: on the straight side of a turnout, on its own side of a three-way.
fn frog_text(
    plan: &mut Plan,
    (legs, centre): (&[Fanned], f64),
    share: f64,
    name: FrogName,
    word: &str,
) {
    let outermost = |at: Option<&Fanned>, side: f64| {
        let reach = at.map_or(0.0, |(_, reach)| *reach);
        Strand { centre, reach, side, open: 0.0 }.at(share)
    };
    let is_straight = |at: Option<&Fanned>| at.is_some_and(|(_, reach)| reach.abs() < 1.0);
    if name == FrogName::Left || (name == FrogName::Only && is_straight(legs.first())) {
        let (x, y) = outermost(legs.first(), -HALF);
        plan.text((x - 8.0, y + 4.0), Anchor::End, word);
    } else {
        let (x, y) = outermost(legs.last(), HALF);
        plan.text((x + 8.0, y + 4.0), Anchor::Start, word);
    }
}

fn leg_texts(plan: &mut Plan, leg: Leg, x: f64, is_lined: bool) {
    plan.text((x, FAR - 6.0), Anchor::Middle, leg_words(leg).1);
    if is_lined {
        plan.text((x, FAR - 18.0), Anchor::Middle, "normal:");
    }
}

const fn leg_words(leg: Leg) -> (Port, &'static str) {
    match leg {
        Leg::Left => (Port::Left, "left leg"),
        Leg::Centre => (Port::Centre, "centre"),
        Leg::Right => (Port::Right, "right leg"),
    }
}

/// The stock rails at the points, with their names.
fn near_end(plan: &mut Plan, centre: f64, rails: &PortRails) {
    let letter = |side: usize| {
        let of_points = rails.iter().find(|(port, _)| *port == Port::Points);
        of_points.and_then(|(_, both)| both[side]).map_or("", Conductor::word)
    };
    plan.text((centre - HALF - 8.0, NEAR + 2.0), Anchor::End, format!("left {}", letter(0)).trim());
    plan.text(
        (centre + HALF + 8.0, NEAR + 2.0),
        Anchor::Start,
        format!("right {}", letter(1)).trim(),
    );
    plan.ties.push((Tie::Stock(Side::Left), (centre - HALF, NEAR)));
    plan.ties.push((Tie::Stock(Side::Right), (centre + HALF, NEAR)));
    plan.ties.push((Tie::PortRail(Port::Points, Side::Left), (centre - HALF, NEAR)));
    plan.ties.push((Tie::PortRail(Port::Points, Side::Right), (centre + HALF, NEAR)));
}

/// Half the distance of the two tracks of a crossing at its ends.
const SPREAD: f64 = 46.0;
/// Half the distance of two rails, measured along x.
const WIDE: f64 = 16.0;

/// A place on a straight track of a crossing; `lean` is 1 for the track from a-left, -1 for that from a-right.
fn on_track(lean: f64, side: f64, share: f64) -> Point {
    let x = lean.mul_add(SPREAD * 2.0f64.mul_add(share, -1.0), MIDDLE) + side;
    (x, (FAR - NEAR).mul_add(share, NEAR))
}

/// Two tracks that cross, with slip roads on these sides.
fn diamond(slips: &[Side], rails: &PortRails) -> Plan {
    let near = (SPREAD - WIDE) / (2.0 * SPREAD);
    let far = 1.0 - near;
    let mut plan = Plan::default();
    for (lean, side) in [(1.0, -WIDE), (1.0, WIDE), (-1.0, -WIDE), (-1.0, WIDE)] {
        // each rail meets two rails of the other track: an acute frog and, half way, an obtuse one
        let acute = if lean * side > 0.0 { near } else { far };
        straight(&mut plan, lean, side, acute);
    }
    for slip in slips {
        slip_road(&mut plan, *slip, near);
    }
    let acute = on_track(1.0, WIDE, near).1;
    let frogs = [
        (FrogName::A, (MIDDLE, acute)),
        (FrogName::B, (MIDDLE, NEAR + FAR - acute)),
        (FrogName::KLeft, (MIDDLE - WIDE, f64::midpoint(NEAR, FAR))),
        (FrogName::KRight, (MIDDLE + WIDE, f64::midpoint(NEAR, FAR))),
    ];
    for (name, (x, y)) in frogs {
        let (x, anchor) = match name {
            FrogName::KLeft => (x - 30.0, Anchor::End),
            FrogName::KRight => (x + 30.0, Anchor::Start),
            _ => (x + 52.0, Anchor::Start),
        };
        plan.text((x, y + 4.0), anchor, &format!("frog {}", name.word()).replace("frog k", "k"));
    }
    plan.frogs.extend(frogs);
    for port in [Port::ALeft, Port::ARight, Port::BLeft, Port::BRight] {
        corner(&mut plan, port, rails);
    }
    plan
}

fn straight(plan: &mut Plan, lean: f64, side: f64, acute: f64) {
    const FROG: f64 = 0.05;
    const GAP: f64 = 0.03;
    let piece = |from: f64, to: f64| vec![on_track(lean, side, from), on_track(lean, side, to)];
    plan.rail(piece(0.0, acute - FROG - GAP));
    plan.shapes.push(Shape::Line("frog", piece(acute - FROG, acute + FROG)));
    plan.rail(piece(acute + FROG + GAP, 1.0));
}

/// The outer and the inner rail of a slip road; the inner one runs through both acute frogs.
fn slip_road(plan: &mut Plan, side: Side, near: f64) {
    let (lean, sign) = match side {
        Side::Left => (1.0, -1.0),
        Side::Right => (-1.0, 1.0),
    };
    for (rail, from, bend) in [(sign * WIDE, near * 0.55, 0.3), (-sign * WIDE, near + 0.09, 0.55)] {
        let start = on_track(lean, rail, from);
        let end = on_track(-lean, rail, 1.0 - from);
        let pull = (MIDDLE - start.0).mul_add(bend, start.0);
        let middle = f64::midpoint(NEAR, FAR);
        let curve = (0..=10).map(|step| bezier(start, (pull, middle), end, f64::from(step) / 10.0));
        plan.shapes.push(Shape::Line("slip", curve.collect()));
    }
}

fn bezier(start: Point, pull: Point, end: Point, share: f64) -> Point {
    let rest = 1.0 - share;
    let mix = |a: f64, b: f64, c: f64| rest * rest * a + 2.0 * rest * share * b + share * share * c;
    (mix(start.0, pull.0, end.0), mix(start.1, pull.1, end.1))
}

/// Name, letters and tie points of a port.
fn corner(plan: &mut Plan, port: Port, rails: &PortRails) {
    let (lean, share) = match port {
        Port::ALeft => (1.0, 0.0),
        Port::ARight => (-1.0, 0.0),
        Port::BLeft => (1.0, 1.0),
        _ => (-1.0, 1.0),
    };
    let is_near = share < 0.5;
    let (x, y) = on_track(lean, 0.0, share);
    let outward = if x < MIDDLE { -12.0 } else { 12.0 };
    plan.text((x + outward, if is_near { y + 13.0 } else { y - 5.0 }), Anchor::Middle, port.word());
    for side in [Side::Left, Side::Right] {
        // looking in from end b, left and right are exchanged
        let is_left = (side == Side::Left) == is_near;
        let at = on_track(lean, if is_left { -WIDE } else { WIDE }, share);
        plan.ties.push((Tie::PortRail(port, side), at));
        let inside = if is_near { 1.0 - LETTERS } else { LETTERS };
        let lean_side = if is_left { -WIDE } else { WIDE };
        plan.letter(rails, port, side, on_track(lean, lean_side, inside));
    }
}
