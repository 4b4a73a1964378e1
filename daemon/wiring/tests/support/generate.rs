//! Clean layouts, made up from a list of stations on one line, each a block of its own with a gap towards the next.

use std::fmt::Write as _;

/// What stands at a station.
#[derive(Clone, Copy, Debug, Eq, PartialEq)]
pub(crate) enum Station {
    RightHand,
    LeftHand,
    Wye,
    /// A right-hand turnout entered from its straight leg.
    Trailing,
    Slip,
    /// A crossing whose route a relay names, with a branch of its own that crosses the line.
    Crossing,
    /// Two frogs on one machine, one contact each.
    Crossover,
    /// A reversing loop behind a reverser, on the siding of a turnout.
    Loop,
}

pub(crate) const STATIONS: [Station; 8] = [
    Station::RightHand,
    Station::LeftHand,
    Station::Wye,
    Station::Trailing,
    Station::Slip,
    Station::Crossing,
    Station::Crossover,
    Station::Loop,
];

/// A table of the file: its header and its lines.
#[derive(Clone, Debug)]
pub(crate) struct Table {
    pub(crate) header: String,
    pub(crate) lines: Vec<String>,
}

fn table(header: String, lines: &str) -> Table {
    let lines = lines.lines().map(str::trim).filter(|line| !line.is_empty());
    Table { header, lines: lines.map(str::to_owned).collect() }
}

/// Turns tables into a file.
pub(crate) fn text(tables: &[Table]) -> String {
    let mut text = String::from("schema = 1\n");
    for table in tables {
        let _ = writeln!(text, "[{}]", table.header);
        for line in &table.lines {
            text.push_str(line);
            text.push('\n');
        }
    }
    text
}

/// All tables of a clean layout. `districts` are used in turn.
pub(crate) fn clean(stations: &[Station], districts: usize) -> Vec<Table> {
    let mut tables = vec![
        table("layout".to_owned(), "name = \"Tamarrow Valley\""),
        table("booster.main".to_owned(), "volts = \"15 V\"\nlimit = \"5 A\""),
    ];
    for at in 0..districts {
        tables.push(table(format!("district.d{at}"), "booster = \"main\""));
    }
    let mut line = Line { tables, open: "buffer-w".to_owned() };
    for (at, station) in stations.iter().enumerate() {
        line.block(&format!("q{at}"), at % districts);
        line.station(at, *station, at % districts);
    }
    let end = line.open.clone();
    line.track("end", &format!("q{}", stations.len() - 1), &end, "buffer-e", "");
    line.tables
}

struct Line {
    tables: Vec<Table>,
    /// The end from which the line goes on.
    open: String,
}

const FIRST_FED: &str = "left = \"A\"";
const FED: &str = "left = \"A\"\ngaps = [\"from\"]";

impl Line {
    fn block(&mut self, id: &str, district: usize) {
        let lines = format!("district = \"d{district}\"\nleft = \"A\"");
        self.tables.push(table(format!("block.{id}"), &lines));
    }

    fn track(&mut self, id: &str, block: &str, from: &str, to: &str, more: &str) {
        let lines = format!("block = \"{block}\"\nfrom = \"{from}\"\nto = \"{to}\"\n{more}");
        self.tables.push(table(format!("track.{id}"), &lines));
    }

    fn trackwork(&mut self, id: &str, lines: &str) {
        self.tables.push(table(format!("trackwork.{id}"), lines));
    }

    fn frog(&mut self, path: &str, pole: &str, normal: &str, reverse: &str) {
        let lines = format!("poles = [\"{pole}\"]\nnormal = \"{normal}\"\nreverse = \"{reverse}\"");
        self.tables.push(table(format!("trackwork.{path}"), &lines));
    }

    fn station(&mut self, at: usize, station: Station, district: usize) {
        match station {
            Station::RightHand => self.turnout(at, ("right", "left", "points", "left")),
            Station::LeftHand => self.turnout(at, ("left", "right", "points", "right")),
            Station::Wye => self.turnout(at, ("wye", "right", "points", "left")),
            Station::Trailing => self.turnout(at, ("right", "left", "left", "points")),
            Station::Slip => self.slip(at),
            Station::Crossing => self.crossing(at),
            Station::Crossover => self.crossover(at),
            Station::Loop => self.reversing(at, district),
        }
    }

    /// The fed track that leads into a station.
    fn lead(&mut self, at: usize, to: &str) {
        let from = self.open.clone();
        let more = if at == 0 { FIRST_FED } else { FED };
        self.track(&format!("in{at}"), &format!("q{at}"), &from, to, more);
    }

    /// A turnout by its hand, its normal leg, and the ports at which the line enters and leaves.
    fn turnout(&mut self, at: usize, (hand, normal, enters, leaves): (&str, &str, &str, &str)) {
        let id = format!("T{at}");
        self.lead(at, &format!("{id}.{enters}"));
        self.trackwork(
            &id,
            &format!(
                "kind = \"turnout\"\nhand = \"{hand}\"\nnormal = \"{normal}\"\nblock = \"q{at}\""
            ),
        );
        self.legs(&id, normal);
        let free =
            ["points", "left", "right"].into_iter().find(|it| *it != enters && *it != leaves);
        let side = format!("{id}.{}", free.unwrap_or("right"));
        self.track(&format!("side{at}"), &format!("q{at}"), &side, &format!("buffer-{at}"), "");
        self.open = format!("{id}.{leaves}");
    }

    /// The frog of a turnout: the right stock rail for the left leg.
    fn legs(&mut self, id: &str, normal: &str) {
        let (first, second) = if normal == "left" { ("right", "left") } else { ("left", "right") };
        self.frog(&format!("{id}.frog"), &format!("{id}.1"), first, second);
    }

    fn slip(&mut self, at: usize) {
        let id = format!("S{at}");
        self.lead(at, &format!("{id}.a-left"));
        self.trackwork(
            &id,
            &format!(
                "kind = \"double-slip\"\nblock = \"q{at}\"\nnormal = {{ a = \"b-left\", b = \"a-left\" }}"
            ),
        );
        self.frog(&format!("{id}.frogs.a"), &format!("{id}-b.1"), "a-left.right", "a-right.left");
        self.frog(&format!("{id}.frogs.b"), &format!("{id}-a.1"), "b-left.right", "b-right.left");
        let block = format!("q{at}");
        self.track(
            &format!("sw{at}"),
            &block,
            &format!("buffer-a{at}"),
            &format!("{id}.a-right"),
            "",
        );
        self.track(
            &format!("ne{at}"),
            &block,
            &format!("{id}.b-right"),
            &format!("buffer-b{at}"),
            "",
        );
        self.open = format!("{id}.b-left");
    }

    fn crossing(&mut self, at: usize) {
        let id = format!("D{at}");
        self.lead(at, &format!("{id}.a-left"));
        self.trackwork(
            &id,
            &format!(
                "kind = \"crossing\"\nblock = \"q{at}\"\nmachine = \"R{at}\"\nnormal = \"a-left\""
            ),
        );
        self.frog(&format!("{id}.frogs.a"), &format!("R{at}.1"), "a-left.right", "a-right.left");
        self.frog(&format!("{id}.frogs.b"), &format!("R{at}.2"), "b-left.right", "b-right.left");
        let (block, west) = (format!("q{at}"), format!("buffer-a{at}"));
        self.track(&format!("sw{at}"), &block, &west, &format!("{id}.a-right"), "left = \"A\"");
        self.track(
            &format!("ne{at}"),
            &block,
            &format!("{id}.b-right"),
            &format!("buffer-b{at}"),
            "",
        );
        self.open = format!("{id}.b-left");
    }

    /// A crossover to a second track; both turnouts on one machine, a contact each.
    fn crossover(&mut self, at: usize) {
        let (one, two, block) = (format!("X{at}"), format!("Y{at}"), format!("q{at}"));
        self.lead(at, &format!("{one}.points"));
        let lines = format!(
            "kind = \"turnout\"\nhand = \"right\"\nnormal = \"left\"\nblock = \"{block}\"\nmachine = \"XY{at}\""
        );
        self.trackwork(&one, &lines);
        self.frog(&format!("{one}.frog"), &format!("XY{at}.1"), "right", "left");
        self.trackwork(&two, &lines);
        self.frog(&format!("{two}.frog"), &format!("XY{at}.2"), "right", "left");
        self.track(
            &format!("mid{at}"),
            &block,
            &format!("{one}.right"),
            &format!("{two}.right"),
            "",
        );
        self.track(
            &format!("far{at}"),
            &block,
            &format!("buffer-a{at}"),
            &format!("{two}.left"),
            "",
        );
        self.track(
            &format!("on{at}"),
            &block,
            &format!("{two}.points"),
            &format!("buffer-b{at}"),
            "",
        );
        self.open = format!("{one}.left");
    }

    fn reversing(&mut self, at: usize, district: usize) {
        self.turnout(at, ("right", "left", "points", "left"));
        let side = format!("track.side{at}");
        let siding = self.tables.iter_mut().find(|table| table.header == side).expect("a siding");
        siding.lines[2] = format!("to = \"L{at}.points\"");
        let (id, block) = (format!("L{at}"), format!("q{at}"));
        self.trackwork(
            &id,
            &format!("kind = \"turnout\"\nhand = \"wye\"\nnormal = \"left\"\nblock = \"{block}\""),
        );
        self.legs(&id, "left");
        self.block(&format!("loop{at}"), district);
        self.tables.push(table(format!("reverser.r{at}"), &format!("block = \"loop{at}\"")));
        self.track(
            &format!("round{at}"),
            &format!("loop{at}"),
            &format!("{id}.left"),
            &format!("{id}.right"),
            "left = \"A\"\ngaps = [\"from\", \"to\"]",
        );
    }
}
