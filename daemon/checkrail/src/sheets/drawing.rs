//! The two views of trackwork with the contacts of a machine: from above, and from below with left and right exchanged.

#![allow(clippy::write_with_newline, reason = "a template shows its line ends")]

use std::fmt::Write as _;

use wiring::{
    index::{FrogIx, PoleIx, TrackworkIx},
    layout::{Layout, Tie},
    terminals::{Function, MachineWiring, Throw},
    trackwork::Port,
};

use super::{
    Book,
    html::escaped,
    track::{Anchor, FAR, NEAR, Plan, Point, Shape, WIDTH},
    words,
};

/// Where one looks from.
#[derive(Clone, Copy, Debug, Eq, PartialEq)]
pub enum View {
    /// From above, facing the frog.
    Above,
    /// From below, lying on one's back, the head at the points.
    Below,
}

/// Both views of everything that a machine has to do with.
pub fn views(book: &Book<'_>, machine: &MachineWiring) -> String {
    let each: String = machine.trackwork.iter().map(|it| both(book, machine, *it)).collect();
    match machine.trackwork.len() {
        0 | 1 => each,
        _ => format!("<div class=\"several\">\n{each}</div>\n"),
    }
}

fn both(book: &Book<'_>, machine: &MachineWiring, trackwork: TrackworkIx) -> String {
    let layout = book.layout;
    let shapes = drawn(book, machine, trackwork);
    let has_points = layout.trackwork[trackwork.at()].kind.has_stock_rails();
    let (above, below) = if has_points {
        (
            "Above, facing the frog",
            "Below, on your back, head at the points: left and right exchanged",
        )
    } else {
        (
            "Above, looking from end a",
            "Below, on your back, head at end a: left and right exchanged",
        )
    };
    let name = escaped(&words::trackwork(layout, trackwork));
    let mut text = String::from("<div class=\"views\">\n");
    // one trackwork is named in the heading; several need it at each drawing
    let own = match machine.trackwork.len() {
        0 | 1 => String::new(),
        _ => format!("{}. ", escaped(&layout.trackwork[trackwork.at()].id)),
    };
    for (view, caption) in [(View::Above, above), (View::Below, below)] {
        let _ = write!(
            text,
            "<figure>{}<figcaption>{own}{caption}</figcaption></figure>\n",
            svg(&seen(&shapes, view), &format!("{name}. {caption}"))
        );
    }
    text.push_str("</div>\n");
    text
}

/// Trackwork with the machine's contacts, from above.
pub fn drawn(book: &Book<'_>, machine: &MachineWiring, trackwork: TrackworkIx) -> Vec<Shape> {
    let layout = book.layout;
    let plan = Plan::new(&layout.trackwork[trackwork.at()], &book.wiring.rails[trackwork.at()]);
    let frogs: Vec<FrogIx> = machine
        .frogs
        .iter()
        .copied()
        .filter(|frog| layout.frogs[frog.at()].trackwork == trackwork)
        .collect();
    let mut shapes = Vec::new();
    for far in [false, true] {
        let here: Vec<FrogIx> =
            frogs.iter().copied().filter(|frog| is_at_far_end(layout, *frog) == far).collect();
        for (at, frog) in here.iter().enumerate() {
            let aside = (at as f64 - (here.len() - 1) as f64 / 2.0) * 2.0 * (WIDTH / 4.0);
            let stand = Stand { aside, is_alone: here.len() == 1, is_far: far };
            contact(&mut shapes, layout, &plan, machine, *frog, stand);
        }
    }
    shapes.extend(plan.shapes);
    shapes
}

/// Where a contact is drawn.
#[derive(Clone, Copy)]
struct Stand {
    /// So far to the right of the rails that it is tied to.
    aside: f64,
    /// No other contact is drawn at this end.
    is_alone: bool,
    /// At the end away from the points, or at end b.
    is_far: bool,
}

impl Stand {
    /// Distance of the terminals.
    const fn apart(self) -> f64 {
        if self.is_alone { 58.0 } else { 31.0 }
    }
}

/// The contact of a frog: three terminals, and the wires from there to the frog and the rails.
fn contact(
    shapes: &mut Vec<Shape>,
    layout: &Layout,
    plan: &Plan,
    machine: &MachineWiring,
    frog: FrogIx,
    stand: Stand,
) {
    let it = &layout.frogs[frog.at()];
    let Some(frog_at) = plan.frog(it.name) else { return };
    let ends = [it.normal, it.reverse].map(|tie| plan.tie(tie));
    let middle = ends.iter().flatten().map(|(x, _)| x).sum::<f64>();
    let middle = match ends.iter().flatten().count() {
        0 => WIDTH / 2.0,
        count => middle / count as f64,
    } + stand.aside;
    // the outermost words stay within the drawing
    let margin = stand.apart() + if stand.is_alone { 26.0 } else { 16.0 };
    let middle = middle.clamp(margin, WIDTH - margin);
    let y = if stand.is_far { FAR - 44.0 } else { NEAR + 32.0 };
    // the terminal tied to the rail on the left stands on the left
    let is_exchanged = match ends {
        [Some(normal), Some(reverse)] => reverse.0 < normal.0,
        [Some(normal), None] => middle < normal.0,
        [None, Some(reverse)] => reverse.0 < middle,
        [None, None] => false,
    };
    let left = if is_exchanged { stand.apart() } else { -stand.apart() };
    let poles: Vec<PoleIx> = it.poles.iter().map(|listed| listed.pole).collect();
    let places = [
        (Throw::Normal, (middle + left, y), ends[0], Some(it.normal)),
        (Throw::Common, (middle, y), Some(frog_at), None),
        (Throw::Reverse, (middle - left, y), ends[1], Some(it.reverse)),
    ];
    for (throw, at, end, tie) in places {
        if let Some(end) = end {
            shapes.push(Shape::Line("wire", vec![at, end]));
            shapes.push(Shape::Dot("joint", end, if throw == Throw::Common { 4.0 } else { 3.0 }));
        }
        shapes.push(Shape::Dot("terminal", at, 4.0));
        terminal_texts(
            shapes,
            layout,
            machine,
            &poles,
            throw,
            (at, stand),
            tie.filter(|_| end.is_none()),
        );
    }
}

fn is_at_far_end(layout: &Layout, frog: FrogIx) -> bool {
    let it = &layout.frogs[frog.at()];
    [it.normal, it.reverse]
        .iter()
        .any(|tie| matches!(tie, Tie::PortRail(Port::BLeft | Port::BRight, _)))
}

/// Names of the terminals under their place (above it, at the far end), and what they are.
fn terminal_texts(
    shapes: &mut Vec<Shape>,
    layout: &Layout,
    machine: &MachineWiring,
    poles: &[PoleIx],
    throw: Throw,
    ((x, y), stand): (Point, Stand),
    unseen: Option<Tie>,
) {
    let names: Vec<String> = poles
        .iter()
        .filter_map(|pole| machine.terminal(&Function::Contact(*pole, throw)))
        .map(|it| words::terminal(layout, it))
        .collect();
    let steps = if stand.is_far { [-9.0, -21.0, -33.0] } else { [16.0, 28.0, 40.0] };
    let mut lines = vec![("strong", names.join(" ")), ("", word(throw, stand))];
    lines.extend(unseen.map(|tie| ("", words::rail(tie))));
    for ((class, text), step) in lines.into_iter().zip(steps) {
        shapes.push(Shape::Text(class, (x, y + step), Anchor::Middle, text));
    }
}

/// What a terminal is, shortened where two contacts stand beside each other.
fn word(throw: Throw, stand: Stand) -> String {
    let short = match throw {
        Throw::Common => "com.",
        Throw::Normal => "norm.",
        Throw::Reverse => "rev.",
    };
    if stand.is_alone { throw.word() } else { short }.to_owned()
}

/// The shapes as one sees them from there.
pub fn seen(shapes: &[Shape], view: View) -> Vec<Shape> {
    match view {
        View::Above => shapes.to_vec(),
        View::Below => shapes.iter().map(exchanged).collect(),
    }
}

/// Left and right exchanged; texts stay readable.
fn exchanged(shape: &Shape) -> Shape {
    let turn = |(x, y): Point| (WIDTH - x, y);
    match shape {
        Shape::Line(class, points) => {
            Shape::Line(class, points.iter().map(|point| turn(*point)).collect())
        }
        Shape::Dot(class, at, radius) => Shape::Dot(class, turn(*at), *radius),
        Shape::Text(class, at, anchor, text) => {
            let anchor = match anchor {
                Anchor::Start => Anchor::End,
                Anchor::Middle => Anchor::Middle,
                Anchor::End => Anchor::Start,
            };
            Shape::Text(class, turn(*at), anchor, text.clone())
        }
    }
}

/// The shapes as a drawing, cropped above and below.
fn svg(shapes: &[Shape], label: &str) -> String {
    let heights = shapes.iter().flat_map(|shape| match shape {
        Shape::Line(_, points) => points.iter().map(|(_, y)| *y).collect(),
        Shape::Dot(_, (_, y), radius) => vec![y - radius, y + radius],
        Shape::Text(_, (_, y), ..) => vec![y - 10.0, y + 4.0],
    });
    let (top, bottom) = heights.fold((FAR, NEAR), |(top, bottom), y| (y.min(top), y.max(bottom)));
    let mut text = format!(
        "<svg viewBox=\"0 {:.0} {WIDTH:.0} {:.0}\" role=\"img\" aria-label=\"{label}\">",
        top - 2.0,
        bottom - top + 4.0
    );
    for shape in shapes {
        put(&mut text, shape);
    }
    text.push_str("</svg>");
    text
}

fn put(text: &mut String, shape: &Shape) {
    let _ = match shape {
        Shape::Line(class, points) => {
            let points: Vec<String> =
                points.iter().map(|(x, y)| format!("{x:.1},{y:.1}")).collect();
            write!(text, "<polyline class=\"{class}\" points=\"{}\"/>", points.join(" "))
        }
        Shape::Dot(class, (x, y), radius) => {
            write!(text, "<circle class=\"{class}\" cx=\"{x:.1}\" cy=\"{y:.1}\" r=\"{radius}\"/>")
        }
        Shape::Text(class, (x, y), anchor, words) => {
            let anchor = match anchor {
                Anchor::Start => "start",
                Anchor::Middle => "middle",
                Anchor::End => "end",
            };
            write!(
                text,
                "<text class=\"{class}\" x=\"{x:.1}\" y=\"{y:.1}\" text-anchor=\"{anchor}\">{}</text>",
                escaped(words)
            )
        }
    };
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Every kind of trackwork, each with a machine that feeds one of its frogs.
    const KINDS: [(&str, &str); 5] = [
        ("kind = \"turnout\"\nhand = \"right\"\nmachine = \"M\"", "frog"),
        ("kind = \"three-way\"\nmachines = { left = \"M\", right = \"N\" }", "frogs.left"),
        ("kind = \"crossing\"\nmachine = \"M\"\nnormal = \"a-left\"", "frogs.a"),
        ("kind = \"double-slip\"\nmachines = { a = \"N\", b = \"M\" }", "frogs.a"),
        (
            "kind = \"single-slip\"\nslip = \"a-left\"\nmachines = { a = \"N\", b = \"M\" }",
            "frogs.a",
        ),
    ];

    fn shapes(kind: &str, frog: &str) -> Vec<Shape> {
        let is_stock = frog == "frog" || frog == "frogs.left";
        let (normal, reverse) =
            if is_stock { ("left", "right") } else { ("a-left.right", "a-right.left") };
        let text = format!(
            "[booster.m]\nvolts = \"15 V\"\nlimit = \"5 A\"\n[district.d]\nbooster = \"m\"\n\
             [block.b]\ndistrict = \"d\"\n[trackwork.T]\n{kind}\nblock = \"b\"\n\
             [trackwork.T.{frog}]\npoles = [\"M.1\"]\nnormal = \"{normal}\"\nreverse = \"{reverse}\"\n"
        );
        let read = wiring::read::read(&text);
        assert!(read.errors.is_empty(), "{:?}", read.errors);
        let layout = read.layout.expect("a layout");
        let book = Book::new(&layout, &text, String::new());
        let machine = book.wiring.machines.iter().find(|it| !it.frogs.is_empty()).expect("one");
        drawn(&book, machine, machine.trackwork[0])
    }

    fn places(shapes: &[Shape]) -> Vec<(String, f64)> {
        let texts = shapes.iter().filter_map(|shape| match shape {
            Shape::Text(_, (x, _), _, text) => Some((text.clone(), *x)),
            Shape::Line(..) | Shape::Dot(..) => None,
        });
        texts.collect()
    }

    #[test]
    fn the_view_from_below_exchanges_left_and_right_and_nothing_else() {
        for (kind, frog) in KINDS {
            let above = shapes(kind, frog);
            let below = seen(&above, View::Below);
            for ((word, x), (same, mirrored)) in places(&above).iter().zip(places(&below)) {
                assert_eq!(*word, same, "{kind}");
                assert!((x + mirrored - WIDTH).abs() < 1e-9, "{kind}: {word}");
            }
            let twice = seen(&below, View::Below);
            assert_eq!(svg(&twice, ""), svg(&above, ""), "{kind}: twice exchanged is as before");
        }
    }

    #[test]
    fn facing_the_frog_the_left_rail_is_on_the_left_and_from_below_on_the_right() {
        let above = shapes(KINDS[0].0, KINDS[0].1);
        let at = |shapes: &[Shape], word: &str| {
            places(shapes).iter().find(|(it, _)| it == word).map(|(_, x)| *x).expect("drawn")
        };
        assert!(at(&above, "left A") < at(&above, "right B"));
        assert!(at(&above, "left leg") < at(&above, "right leg"));
        let below = seen(&above, View::Below);
        assert!(at(&below, "right B") < at(&below, "left A"));
        assert!(at(&below, "right leg") < at(&below, "left leg"));
    }

    #[test]
    fn every_kind_is_drawn_with_a_wire_to_its_frog_and_to_both_rails_within_the_drawing() {
        for (kind, frog) in KINDS {
            let shapes = shapes(kind, frog);
            let wires = shapes.iter().filter(|it| matches!(it, Shape::Line("wire", _)));
            assert_eq!(wires.count(), 3, "{kind}");
            let xs = shapes.iter().flat_map(|shape| match shape {
                Shape::Line(_, points) => points.iter().map(|(x, _)| *x).collect(),
                Shape::Dot(_, (x, _), _) | Shape::Text(_, (x, _), ..) => vec![*x],
            });
            for x in xs {
                assert!((0.0..=WIDTH).contains(&x), "{kind}: {x}");
            }
        }
    }
}
