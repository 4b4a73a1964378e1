//! Frog polarity against published settings and mistakes. Source: `tests/data/README.md`.

#[path = "proof/mistakes.rs"]
mod mistakes;
#[path = "proof/places.rs"]
mod places;
mod support;

use serde_json::Value;
use wiring::{
    check::check,
    finding::Code,
    layout::{Conductor, Layout, Position},
    polarity::{Required, Wired},
};

use mistakes::{ALL, Contact};
use places::{KINDS, Kind};

fn data(text: &str) -> Vec<Value> {
    serde_json::from_str(text).expect("the check values are JSON")
}

fn vectors() -> Vec<Value> {
    data(include_str!("data/geometry-vectors.json"))
}

/// A layout of a kind with the given contacts; each frog has a pole of its own.
fn wired(kind: &Kind, contacts: &[Contact]) -> Layout {
    let mut text = format!("{}{}\n", support::ONE_BLOCK, kind.layout);
    for (pole, (frog, machine, normal, reverse)) in contacts.iter().enumerate() {
        let ours = kind.frog(frog);
        let path = match ours.split_once('.') {
            Some((trackwork, frog)) => format!("{trackwork}.frogs.{frog}"),
            None => format!("{ours}.frog"),
        };
        text.push_str(&format!(
            "[trackwork.{path}]\npoles = [\"{machine}.{}\"]\nnormal = \"{normal}\"\nreverse = \"{reverse}\"\n",
            pole + 1
        ));
    }
    // Inline tables cannot be added to: write the trackwork as headers instead.
    support::layout(&headers(&text))
}

/// `trackwork.F = { a = 1, b = { … } }` as a table of its own.
fn headers(text: &str) -> String {
    let line = |line: &str| match line.split_once(" = {") {
        Some((path, rest)) if path.starts_with("trackwork.") || path.starts_with("track.") => {
            let inner = rest.trim_end().strip_suffix('}').expect("an inline table");
            format!("[{path}]\n{}\n", members(inner))
        }
        _ => format!("{line}\n"),
    };
    text.lines().map(line).collect()
}

/// Members of an inline table on lines of their own; commas inside braces stay.
fn members(inner: &str) -> String {
    let mut depth = 0;
    let member = |c: char| match c {
        '{' | '[' => {
            depth += 1;
            c
        }
        '}' | ']' => {
            depth -= 1;
            c
        }
        ',' if depth == 0 => '\n',
        _ => c,
    };
    inner.chars().map(member).collect()
}

fn setting(kind: &Kind, vector: &Value, row: &Value) -> Vec<(String, Position)> {
    let machines = vector["machines"].as_array().expect("machines");
    let names = machines.iter().map(|name| name.as_str().expect("a name"));
    names
        .map(|name| (name.to_owned(), kind.position(row[name].as_str().expect("a label"))))
        .collect()
}

#[test]
fn every_kind_in_every_setting_requires_the_conductors_that_were_computed() {
    let vectors = vectors();
    assert_eq!(vectors.len(), KINDS.len());
    let mut compared = 0;
    for vector in &vectors {
        let kind = Kind::named(vector["name"].as_str().expect("a name"));
        let layout = wired(kind, &[]);
        let report = check(&layout);
        for row in vector["rows"].as_array().expect("rows") {
            let positions = setting(kind, vector, row);
            for (frog, wanted) in row["frogs"].as_object().expect("frogs") {
                let got = support::row(&layout, &report, kind.frog(frog), &positions).required;
                let is_part = KINDS.len() > 1 && frog.starts_with('F') && kind.frogs.len() > 1;
                let want = match wanted.as_str().expect("a conductor") {
                    "A" => Required::On(Conductor::A),
                    "B" => Required::On(Conductor::B),
                    "CONFLICT" => Required::Conflict,
                    // A turnout of a crossover is lined for one leg always, whatever lies beyond.
                    "X" if is_part => got,
                    "X" => Required::Any,
                    other => panic!("{other}?"),
                };
                assert_eq!(got, want, "{}: {frog} at {positions:?}", kind.name);
                compared += 1;
            }
        }
    }
    assert_eq!(compared, 155);
}

/// `MX: N=B, R=A` as a contact.
fn contact(kind: &Kind, frog: &'static str, text: &'static str) -> Contact {
    let (machine, ties) = text.split_once(": ").expect("a machine");
    let tie = |position: Position| {
        let found = ties.split(", ").filter_map(|tie| tie.split_once('='));
        let mut found = found.filter(|(label, _)| kind.position(label) == position);
        found.next().expect("a tie for the position").1
    };
    (frog, machine, tie(Position::Normal), tie(Position::Reverse))
}

/// Frogs that the check values fix for life and that the assignment leaves out: both contacts on one conductor.
fn fixed(vector: &'static Value, kind: &Kind) -> Vec<Contact> {
    let machine = vector["machines"][0].as_str().expect("a machine");
    let drivers = vector["driver"].as_object().expect("drivers");
    let fixed = drivers.iter().filter(|(frog, _)| vector["assignment"].get(frog).is_none());
    let contact = |(frog, driver): (&'static String, &'static Value)| {
        let on = driver["fixed"][0].as_str()?;
        Some((frog.as_str(), machine, on, on))
    };
    let contacts = fixed.filter_map(contact);
    contacts.inspect(|it| assert!(!kind.frog(it.0).is_empty())).collect()
}

#[test]
fn every_published_assignment_of_contacts_proves_right_in_every_setting() {
    for vector in Vec::leak(vectors()) {
        let kind = Kind::named(vector["name"].as_str().expect("a name"));
        let Some(assignment) = vector["assignment"].as_object() else { continue };
        let switched = assignment
            .iter()
            .map(|(frog, text)| contact(kind, frog.as_str(), text.as_str().expect("a contact")));
        let contacts: Vec<Contact> = fixed(vector, kind).into_iter().chain(switched).collect();
        let layout = wired(kind, &contacts);
        let report = check(&layout);
        for row in vector["rows"].as_array().expect("rows") {
            let positions = setting(kind, vector, row);
            for frog in row["frogs"].as_object().expect("frogs").keys() {
                let it = support::row(&layout, &report, kind.frog(frog), &positions);
                if let Required::On(conductor) = it.required {
                    assert_eq!(it.wired, Wired::On(conductor), "{}: {frog}", kind.name);
                }
            }
        }
        let swapped = report.findings.iter().find(|it| it.code == Code::FrogSwapped);
        assert_eq!(swapped, None, "{}", kind.name);
    }
}

/// The conductors that a route alone requires, by frog.
fn required(vectors: &[Value], name: &str, route: &str) -> Vec<(String, String)> {
    let vector = vectors.iter().find(|it| it["name"] == name).expect("a vector");
    let rows = vector["rows"].as_array().expect("rows");
    let uses =
        |row: &&Value| row["routes"].as_array().is_some_and(|it| it.iter().any(|r| r == route));
    let row = rows.iter().filter(uses).min_by_key(|row| row["routes"].as_array().map(Vec::len));
    let frogs = row.expect("a row with the route")["frogs"].as_object().expect("frogs");
    frogs.iter().map(|(frog, on)| (frog.clone(), on.as_str().unwrap_or("").to_owned())).collect()
}

#[test]
fn every_wiring_mistake_shorts_and_starves_the_routes_that_were_computed() {
    let (vectors, entries) = (vectors(), data(include_str!("data/geometry-mistakes.json")));
    for entry in &entries {
        let (name, mistake) = (entry["kind"].as_str().unwrap(), entry["mistake"].as_str().unwrap());
        let it = ALL.iter().find(|it| it.kind == name).unwrap_or_else(|| panic!("no kind {name}"));
        let kind = Kind::named(it.layout);
        let layout = wired(kind, &it.contacts(mistake));
        let report = check(&layout);
        assert_eq!(entry["routes"].as_object().map(serde_json::Map::len), Some(it.routes.len()));
        for (route, setting, passes) in it.routes {
            let positions: Vec<_> =
                setting.iter().map(|(m, label)| ((*m).to_owned(), kind.position(label))).collect();
            let (mut short, mut dead) = (Vec::new(), Vec::new());
            for (frog, on) in required(&vectors, it.required, route) {
                if !passes.contains(&frog.as_str()) {
                    continue;
                }
                match support::row(&layout, &report, kind.frog(&frog), &positions).wired {
                    Wired::On(conductor) if conductor.word() == on => {}
                    Wired::On(_) | Wired::Both => short.push(frog),
                    Wired::None => dead.push(frog),
                }
            }
            let list = |key: &str| {
                let list = entry["routes"][route][key].as_array().expect("a list");
                let mut list: Vec<_> =
                    list.iter().map(|it| it.as_str().unwrap().to_owned()).collect();
                list.sort();
                list
            };
            short.sort();
            dead.sort();
            assert_eq!(short, list("short_at"), "{name}: {mistake}: {route}");
            assert_eq!(dead, list("dead_at"), "{name}: {mistake}: {route}");
        }
    }
    let wired: usize = ALL.iter().map(|it| it.mistakes.len()).sum();
    assert_eq!(entries.len(), wired, "every mistake of the file has a wiring here and no more");
}

#[test]
fn a_slip_wired_to_the_machine_at_its_own_end_is_told_so() {
    let kind = Kind::named("double slip; MW picks the EAST leg, ME picks the WEST leg");
    let own_ends = [
        ("DW", "MW", "a-left.right", "a-right.left"),
        ("DE", "ME", "b-left.right", "b-right.left"),
    ];
    let report = check(&wired(kind, &own_ends));
    let swapped: Vec<_> =
        report.findings.iter().filter(|it| it.code == Code::FrogSwapped).collect();
    let subjects: Vec<_> = swapped.iter().map(|it| it.subject.as_str()).collect();
    assert_eq!(subjects, ["frog/D.a", "frog/D.b"]);
    assert_eq!(
        swapped[0].remedy,
        "frog D.a is wired to the machine at the wrong end: the points at end b decide the frog at end a. \
         Move its wires from machine MW to a pole of machine ME, normal contact to the right rail of a-left \
         and reverse contact to the left rail of a-right"
    );
    assert!(swapped[1].remedy.contains("the points at end a decide the frog at end b"));
}
