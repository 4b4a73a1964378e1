//! The trackwork tables against drawn geometry.
//!
//! Every route is drawn as a centre line, its two rails as curves half a gauge to either side. Rails of different routes
//! are intersected numerically; every place where they cross is a frog, and the rail of a route that runs through that
//! place is the rail that the frog must match while the route is in use. Nothing here looks at the tables but the
//! comparison at the end. Source of the method: the laws of trackwork geometry, derived, no publication.

use wiring::{
    index::MachineIx,
    layout::Side,
    trackwork::{FrogName, Kind, Leg, Port},
};

const GAUGE: f64 = 1.0;
const STEPS: usize = 4000;
/// Two rails that run nearer than this to a frog pass through it. A frog is measured in hundredths of the gauge here.
const NEAR: f64 = 0.02;

type Point = (f64, f64);

/// A route drawn: y over x from one end of the trackwork to the other, heading east.
struct Drawn {
    ends: (Port, Port),
    from: f64,
    to: f64,
    line: fn(f64) -> f64,
}

/// The rail on one side, as points.
fn rail(route: &Drawn, side: Side) -> Vec<Point> {
    let offset = match side {
        Side::Left => GAUGE / 2.0,
        Side::Right => -GAUGE / 2.0,
    };
    let at = |step: usize| {
        let x = route.from + (route.to - route.from) * step as f64 / STEPS as f64;
        let (y, slope) =
            ((route.line)(x), ((route.line)(x + 1e-6) - (route.line)(x - 1e-6)) / 2e-6);
        let length = slope.hypot(1.0);
        (x - offset * slope / length, y + offset / length)
    };
    (0..=STEPS).map(at).collect()
}

/// Height of a rail over x; none outside of it. Rails run east, so x grows along them.
fn height(rail: &[Point], x: f64) -> Option<f64> {
    let after = rail.partition_point(|point| point.0 < x);
    let (before, after) = (rail.get(after.checked_sub(1)?)?, rail.get(after)?);
    let share = (x - before.0) / (after.0 - before.0);
    Some(before.1 + share * (after.1 - before.1))
}

/// Where two rails cross: their difference changes sign for good. Rails that merely run together do not cross.
fn crossings(one: &[Point], two: &[Point]) -> Vec<Point> {
    let (mut found, mut sign) = (Vec::new(), 0.0);
    for &(x, y) in one {
        let Some(other) = height(two, x) else { continue };
        let difference = y - other;
        if difference.abs() < 1e-3 {
            continue;
        }
        if sign != 0.0 && sign != difference.signum() {
            found.push((x, y));
        }
        sign = difference.signum();
    }
    found
}

const SIDES: [Side; 2] = [Side::Left, Side::Right];

/// All frogs of a drawing.
fn frogs(routes: &[Drawn]) -> Vec<Point> {
    let mut frogs: Vec<Point> = Vec::new();
    for (at, one) in routes.iter().enumerate() {
        for two in &routes[at + 1..] {
            for (side_one, side_two) in SIDES.iter().flat_map(|a| SIDES.map(|b| (*a, b))) {
                for point in crossings(&rail(one, side_one), &rail(two, side_two)) {
                    if !frogs.iter().any(|frog| distance(*frog, point) < 5.0 * NEAR) {
                        frogs.push(point);
                    }
                }
            }
        }
    }
    frogs
}

fn distance(one: Point, two: Point) -> f64 {
    (one.0 - two.0).hypot(one.1 - two.1)
}

/// The rail of a route that runs through a frog.
fn through(route: &Drawn, frog: Point) -> Option<Side> {
    SIDES.into_iter().find(|side| {
        let rail = rail(route, *side);
        rail.iter().any(|point| distance(*point, frog) < NEAR)
    })
}

/// A side seen heading east, as seen looking in from a port: from the b-end left and right are exchanged.
fn seen_from(port: Port, side: Side) -> Side {
    match port {
        Port::Points | Port::ALeft | Port::ARight => side,
        Port::Left | Port::Centre | Port::Right | Port::BLeft | Port::BRight => side.other(),
    }
}

/// Compares every route and frog of a kind with its drawing; `name` tells a frog by its place.
fn check(kind: &Kind, routes: &[Drawn], name: fn(Point) -> FrogName) {
    let places = frogs(routes);
    let mut names: Vec<_> = places.iter().map(|place| name(*place)).collect();
    names.sort_unstable();
    let mut wanted = kind.frogs().to_vec();
    wanted.sort_unstable();
    assert_eq!(names, wanted, "the drawing has these frogs: {places:?}");

    assert_eq!(kind.routes().len(), routes.len());
    for drawn in routes {
        let route = kind.routes().iter().find(|route| route.ends == drawn.ends).expect("a route");
        for place in &places {
            let frog = name(*place);
            let got = route.rail_at(frog).map(|rail| (rail.port, rail.side));
            let side = through(drawn, *place);
            let Some(side) = side else {
                assert_eq!(got, None, "{:?} does not pass {frog:?}", drawn.ends);
                continue;
            };
            let (port, table) = got.unwrap_or_else(|| panic!("{:?} passes {frog:?}", drawn.ends));
            assert!(port == drawn.ends.0 || port == drawn.ends.1, "a rail of a foreign port");
            assert_eq!(table, seen_from(port, side), "{:?} at {frog:?}", drawn.ends);
        }
    }
}

const M: MachineIx = MachineIx(0);
const N: MachineIx = MachineIx(1);

fn turnout(left: fn(f64) -> f64, right: fn(f64) -> f64) {
    let leg = |port, line| Drawn { ends: (Port::Points, port), from: 0.0, to: 12.0, line };
    let kind = Kind::Turnout { machine: M, normal: Leg::Left };
    check(&kind, &[leg(Port::Left, left), leg(Port::Right, right)], |_| FrogName::Only);
}

#[test]
fn a_turnout_of_any_hand_agrees_with_its_drawing() {
    turnout(|_| 0.0, |x| -0.02 * x * x); // right-hand
    turnout(|x| 0.02 * x * x, |_| 0.0); // left-hand
    turnout(|x| 0.01 * x * x, |x| -0.01 * x * x); // wye
    turnout(|x| -0.01 * x * x, |x| -0.03 * x * x); // curved, both to the right
}

#[test]
fn a_three_way_agrees_with_its_drawing() {
    let leg = |port, line| Drawn { ends: (Port::Points, port), from: 0.0, to: 12.0, line };
    let routes = [
        leg(Port::Left, |x| 0.02 * x * x),
        leg(Port::Centre, |_| 0.0),
        leg(Port::Right, |x| -0.02 * x * x),
    ];
    check(&Kind::ThreeWay { left: M, right: N }, &routes, |(_, y)| {
        if y.abs() < 0.1 {
            FrogName::Middle
        } else if y > 0.0 {
            FrogName::Left
        } else {
            FrogName::Right
        }
    });
}

/// Tangent of the angle of either track of a crossing to the east-west line.
const STEEP: f64 = 0.1;
/// The slip rails leave their track inside the acute frogs, which are at 5 from the middle.
const SLIP: f64 = 4.0;

/// The straight tracks: a-left (north-west) to b-left (south-east), a-right (south-west) to b-right (north-east).
fn straight(ends: (Port, Port), line: fn(f64) -> f64) -> Drawn {
    Drawn { ends, from: -12.0, to: 12.0, line }
}

fn falls(x: f64) -> f64 {
    -STEEP * x
}

fn climbs(x: f64) -> f64 {
    STEEP * x
}

/// From the north-west down to the middle and back up to the north-east.
fn north_slip(x: f64) -> f64 {
    if x.abs() < SLIP { STEEP * (x * x + SLIP * SLIP) / (2.0 * SLIP) } else { STEEP * x.abs() }
}

fn south_slip(x: f64) -> f64 {
    -north_slip(x)
}

fn crossed_frog((x, y): Point) -> FrogName {
    match (x.abs() < 1.0, x < 0.0, y > 0.0) {
        (true, _, true) => FrogName::KLeft,
        (true, _, false) => FrogName::KRight,
        (false, true, _) => FrogName::A,
        (false, false, _) => FrogName::B,
    }
}

#[test]
fn a_crossing_agrees_with_its_drawing() {
    let kind = Kind::Crossing { a_left: Vec::new(), a_right: Vec::new() };
    check(&kind, &crossing(), crossed_frog);
}

fn crossing() -> [Drawn; 2] {
    [straight((Port::ALeft, Port::BLeft), falls), straight((Port::ARight, Port::BRight), climbs)]
}

#[test]
fn a_double_slip_agrees_with_its_drawing_and_its_slip_rails_add_no_frog() {
    let [falling, climbing] = crossing();
    let routes = [
        falling,
        climbing,
        straight((Port::ALeft, Port::BRight), north_slip),
        straight((Port::ARight, Port::BLeft), south_slip),
    ];
    let kind = Kind::DoubleSlip { a: M, a_normal: Port::BLeft, b: N, b_normal: Port::ALeft };
    check(&kind, &routes, crossed_frog);
}

#[test]
fn a_single_slip_agrees_with_its_drawing_on_either_side() {
    let [falling, climbing] = crossing();
    let north = straight((Port::ALeft, Port::BRight), north_slip);
    check(
        &Kind::SingleSlip { a: M, b: N, slip: Port::ALeft },
        &[falling, climbing, north],
        crossed_frog,
    );
    let [falling, climbing] = crossing();
    let south = straight((Port::ARight, Port::BLeft), south_slip);
    check(
        &Kind::SingleSlip { a: M, b: N, slip: Port::ARight },
        &[falling, climbing, south],
        crossed_frog,
    );
}
