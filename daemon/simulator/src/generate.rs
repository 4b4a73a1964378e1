//! Layouts for studies and benchmarks: random, clean, in the manner of the Tamarrow Valley.
//!
//! A single line from west to east, conductor A on the north rail all along: passing loops, spurs that face or trail,
//! double slips. Every change of block is gapped in both rails; every frog is wired as it must be.

use std::fmt::Write as _;

use crate::random::Random;

/// Districts are named after these, in turn.
const PLACES: [&str; 12] = [
    "harbour", "valley", "quarry", "summit", "orchard", "mill", "bridge", "heath", "weir", "ford",
    "meadow", "ridge",
];
/// Turnouts of one district, at most.
const DISTRICT_HOLDS: usize = 6;
/// Districts of one booster.
const BOOSTER_FEEDS: usize = 3;

/// The text of a layout file with so many turnouts (a double slip counts two), at least one.
#[must_use]
pub fn generate(seed: u64, turnouts: usize) -> String {
    let mut sketch = Sketch::new(seed);
    sketch.open_district();
    sketch.start_line();
    let turnouts = turnouts.max(1);
    while sketch.drawn < turnouts {
        if DISTRICT_HOLDS <= sketch.in_district {
            // Half of the boundaries are at a leg of a turnout.
            if sketch.random.chance(0.5) {
                sketch.facing_spur();
            }
            sketch.cross_boundary();
            continue;
        }
        match (turnouts - sketch.drawn, sketch.random.below(10)) {
            (2.., 0..5) => sketch.passing_loop(),
            (2.., 5) => sketch.double_slip(),
            (_, 0..7) => sketch.facing_spur(),
            _ => sketch.trailing_spur(),
        }
    }
    sketch.end_line();
    sketch.text(turnouts)
}

/// A layout as far as it is drawn.
struct Sketch {
    random: Random,
    boosters: String,
    districts: String,
    blocks: String,
    tracks: String,
    works: String,
    machines: String,
    booster_count: usize,
    district_count: usize,
    /// The district that is drawn in.
    district: String,
    block_count: usize,
    track_count: usize,
    work_count: usize,
    drawn: usize,
    in_district: usize,
    /// Where the line goes on: the end, and the block of what lies west of it; none where the next track begins one.
    end: String,
    block: Option<String>,
}

/// A piece of track to draw.
struct Piece<'a> {
    block: &'a str,
    from: &'a str,
    to: &'a str,
    metres: (f64, f64),
    gaps: &'a [&'a str],
}

impl Sketch {
    fn new(seed: u64) -> Self {
        Self {
            random: Random::new(seed, 0x9e4e),
            boosters: String::new(),
            districts: String::new(),
            blocks: String::new(),
            tracks: String::new(),
            works: String::new(),
            machines: String::new(),
            booster_count: 0,
            district_count: 0,
            district: String::new(),
            block_count: 0,
            track_count: 0,
            work_count: 0,
            drawn: 0,
            in_district: 0,
            end: "buffer-west".to_owned(),
            block: None,
        }
    }

    fn open_district(&mut self) {
        if self.district_count.is_multiple_of(BOOSTER_FEEDS) {
            self.booster_count += 1;
            let limit = if self.random.chance(0.7) { 5 } else { 4 };
            let number = self.booster_count;
            let _ = write!(
                self.boosters,
                "[booster.power-{number}]\nvolts = \"15 V\"\nlimit = \"{limit} A\"\n\
                 trip-delay = \"150 ms\"\nresistance = \"0.05 ohm\"\ncut = true\n\n"
            );
        }
        let place = PLACES[self.district_count % PLACES.len()];
        let round = self.district_count / PLACES.len();
        self.district = if round == 0 { place.to_owned() } else { format!("{place}-{round}") };
        let gauge = if self.random.chance(0.7) { 14 } else { 12 };
        let (district, booster) = (&self.district, self.booster_count);
        let trip = if self.random.chance(0.7) { "3 A" } else { "2.5 A" };
        let length = 3 + self.random.below(6);
        let _ = write!(
            self.districts,
            "[district.{district}]\nbooster = \"power-{booster}\"\n\
             breaker = {{ kind = \"electronic\", trip = \"{trip}\", delay = \"40 ms\" }}\n\
             bus = {{ gauge = \"{gauge} AWG\", length = \"{length} m\" }}\n\
             cut = true\nopens-in = \"15 ms\"\n\n"
        );
        self.district_count += 1;
        self.in_district = 0;
    }

    fn open_block(&mut self) -> String {
        self.block_count += 1;
        let block = format!("b{}", self.block_count);
        let standing = if self.random.chance(0.1) { 15 } else { 0 };
        let pairs = 1 + self.random.below(3);
        let _ = write!(
            self.blocks,
            "[block.{block}]\ndistrict = \"{}\"\n\
             feeder = {{ gauge = \"20 AWG\", length = \"0.4 m\", pairs = {pairs} }}\n\
             standing-load = \"{standing} mA\"\nleft = \"A\"\n\n",
            self.district
        );
        block
    }

    fn track(&mut self, piece: &Piece) {
        self.track_count += 1;
        let (low, high) = piece.metres;
        let metres = (self.random.between(low, high) * 10.0).round() / 10.0;
        let Piece { block, from, to, gaps, .. } = piece;
        let gaps: Vec<String> = gaps.iter().map(|end| format!("\"{end}\"")).collect();
        let _ = write!(
            self.tracks,
            "[track.t{}]\nblock = \"{block}\"\nfrom = \"{from}\"\nto = \"{to}\"\n\
             length = \"{metres} m\"\nrail = \"code 83\"\nleft = \"A\"\ngaps = [{}]\n\n",
            self.track_count,
            gaps.join(", ")
        );
    }

    /// A track of the line from where it ends to `to`; its block.
    fn line_to(&mut self, to: &str) -> String {
        let (block, gaps): (String, &[&str]) = match self.block.take() {
            Some(block) => (block, &[]),
            None => (self.open_block(), &["from"]),
        };
        let from = self.end.clone();
        let gaps = if from.starts_with("buffer") { &[] } else { gaps };
        self.track(&Piece { block: &block, from: &from, to, metres: (1.6, 4.8), gaps });
        block
    }

    fn start_line(&mut self) {
        self.line_to("mile-0");
        self.end = "mile-0".to_owned();
    }

    fn end_line(&mut self) {
        self.line_to("buffer-east");
    }

    /// The next track of the line is another district's: beyond a joint, or at once where the line goes on from a leg.
    fn cross_boundary(&mut self) {
        if self.block.is_some() || !self.end.starts_with('T') {
            let joint = format!("mile-{}", self.district_count);
            self.line_to(&joint);
            self.end = joint;
        }
        self.block = None;
        self.open_district();
    }

    /// A turnout; `west` is where its points lie. Its id.
    fn turnout(&mut self, block: &str, west: bool) -> String {
        self.work_count += 1;
        self.drawn += 1;
        self.in_district += 1;
        let id = format!("T{}", self.work_count);
        let (hand, leg, normal, reverse) = if west {
            ("right", "left", "right", "left")
        } else {
            ("left", "right", "left", "right")
        };
        let two = self.random.chance(0.6);
        let poles = if two { format!("\"{id}.1\", \"{id}.2\"") } else { format!("\"{id}.1\"") };
        let _ = write!(
            self.works,
            "[trackwork.{id}]\nkind = \"turnout\"\nhand = \"{hand}\"\nblock = \"{block}\"\n\
             normal = \"{leg}\"\nmachine = \"{id}\"\n[trackwork.{id}.frog]\npoles = [{poles}]\n\
             normal = \"{normal}\"\nreverse = \"{reverse}\"\n\
             feed = {{ gauge = \"22 AWG\", length = \"0.6 m\" }}\n\n"
        );
        if self.random.chance(0.2) {
            let milliohm = 30 + self.random.below(30);
            let _ = write!(
                self.machines,
                "[machine.{id}]\ncontact-resistance = \"{milliohm} mohm\"\n\n"
            );
        }
        id
    }

    fn passing_loop(&mut self) {
        let west = format!("T{}", self.work_count + 1);
        let block = self.line_to(&format!("{west}.points"));
        self.turnout(&block, true);
        let beyond = self.open_block();
        let east = self.turnout(&beyond, false);
        for (from, to) in [("left", "right"), ("right", "left")] {
            let own = self.open_block();
            let (from, to) = (format!("{west}.{from}"), format!("{east}.{to}"));
            let gaps = &["from", "to"];
            self.track(&Piece { block: &own, from: &from, to: &to, metres: (2.2, 3.4), gaps });
        }
        self.end = format!("{east}.points");
        self.block = Some(beyond);
    }

    fn facing_spur(&mut self) {
        let id = format!("T{}", self.work_count + 1);
        let block = self.line_to(&format!("{id}.points"));
        self.turnout(&block, true);
        let buffer = format!("buffer-{}", self.track_count);
        self.spur(&block, &format!("{id}.right"), &buffer, "from");
        self.end = format!("{id}.left");
        self.block = None;
    }

    fn trailing_spur(&mut self) {
        let id = format!("T{}", self.work_count + 1);
        let (block, gaps): (String, &[&str]) = match self.block.take() {
            Some(block) => (block, &["to"]),
            None => (self.open_block(), &["from", "to"]),
        };
        let (from, to) = (self.end.clone(), format!("{id}.right"));
        self.track(&Piece { block: &block, from: &from, to: &to, metres: (1.6, 4.8), gaps });
        let beyond = self.open_block();
        self.turnout(&beyond, false);
        let buffer = format!("buffer-{}", self.track_count);
        self.spur(&beyond, &buffer, &format!("{id}.left"), "to");
        self.end = format!("{id}.points");
        self.block = Some(beyond);
    }

    /// A dead-end track at a leg, in the block of its turnout or in one of its own.
    fn spur(&mut self, block: &str, from: &str, to: &str, joins: &str) {
        let own = self.random.chance(0.5).then(|| self.open_block());
        let gaps = [joins];
        let gaps: &[&str] = if own.is_some() { &gaps } else { &[] };
        let block = own.as_deref().unwrap_or(block).to_owned();
        self.track(&Piece { block: &block, from, to, metres: (1.1, 2.2), gaps });
    }

    /// A double slip on the line, with a spur at each of its two other ports.
    fn double_slip(&mut self) {
        let id = format!("S{}", self.work_count + 1);
        let block = self.line_to(&format!("{id}.a-left"));
        self.work_count += 1;
        self.drawn += 2;
        self.in_district += 2;
        let _ = write!(
            self.works,
            "[trackwork.{id}]\nkind = \"double-slip\"\nblock = \"{block}\"\n\
             machines = {{ a = \"{id}-a\", b = \"{id}-b\" }}\n\
             normal = {{ a = \"b-right\", b = \"a-left\" }}\n\
             [trackwork.{id}.frogs.a]\npoles = [\"{id}-b.1\"]\nnormal = \"a-left.right\"\n\
             reverse = \"a-right.left\"\nfeed = {{ gauge = \"22 AWG\", length = \"0.8 m\" }}\n\
             [trackwork.{id}.frogs.b]\npoles = [\"{id}-a.1\"]\nnormal = \"b-right.left\"\n\
             reverse = \"b-left.right\"\nfeed = {{ gauge = \"22 AWG\", length = \"0.8 m\" }}\n\n"
        );
        let buffers = [1, 2].map(|place| format!("buffer-s{}-{place}", self.work_count));
        let (from, to) = (&buffers[0], format!("{id}.a-right"));
        let metres = (1.1, 2.2);
        self.track(&Piece { block: &block, from, to: &to, metres, gaps: &[] });
        let (from, to) = (format!("{id}.b-left"), &buffers[1]);
        self.track(&Piece { block: &block, from: &from, to, metres, gaps: &[] });
        self.end = format!("{id}.b-right");
        self.block = Some(block);
    }

    fn text(&self, turnouts: usize) -> String {
        let head = format!(
            "# A branch of the Tamarrow Valley, {turnouts} turnouts, drawn at random.\n\
             schema = 1\n\n[layout]\nname = \"Tamarrow branch, {turnouts} turnouts\"\n\
             control = \"dcc\"\nambient = \"22 C\"\n\n"
        );
        let parts = [
            &self.boosters,
            &self.districts,
            &self.blocks,
            &self.tracks,
            &self.works,
            &self.machines,
        ];
        parts.into_iter().fold(head, |text, part| text + part)
    }
}
