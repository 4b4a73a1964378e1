//! Damaged input for every parser: what is valid, changed a little, again and again.
//!
//! Goal: whatever comes over a wire, out of a file or from a browser gives a value or a reason, and never more trust than
//! it earns. Method: each target has a folder of `corpus`, replayed as it is in every run; then so many damaged inputs are
//! made from it. The target says in a word what became of an input. One that gave a new word joins the start for
//! further damage: that drives the search into the depth without instruments in the compiler.
//!
//! `CHECKRAIL_FUZZ_CASES=200000` makes so many inputs instead of [`CASES`], `CHECKRAIL_FUZZ_SEED=7` makes others. An input
//! that a target does not stand is printed, and with `CHECKRAIL_FUZZ_KEEP=FOLDER` written there: it belongs into the
//! corpus, beside the fix.

#![allow(clippy::print_stderr, reason = "tells how to repeat a finding")]
#![allow(
    clippy::disallowed_methods,
    reason = "pure crates are tried from outside, with a clock and an environment"
)]
#![allow(unreachable_pub, dead_code, reason = "shared by path: each crate uses a part")]

mod change;
mod dice;

use std::{
    collections::BTreeSet,
    fs,
    path::{Path, PathBuf},
    time::{Duration, Instant},
};

use self::{change::Changer, dice::Dice};

/// Damaged inputs of a run of the suite.
const CASES: u64 = 300;
/// Inputs that may be a start for damage.
const MOST_STARTS: usize = 4096;
/// The longest input made. Unit: bytes.
const LONGEST: usize = 64 * 1024;

/// A target: its corpus, and words of its language.
pub struct Target<'a> {
    /// Name of its folder in the corpus.
    pub name: &'a str,
    /// Pieces that mean something there.
    pub words: &'a [&'a str],
    /// Valid input that the project has elsewhere.
    pub more: &'a [&'a str],
    /// One input takes as long as so many of others: of a given number of cases it gets its share.
    pub weight: u64,
}

impl Target<'_> {
    /// Tries everything. `try_out` panics where a promise is broken, and says in a word what became of the input.
    pub fn run(&self, mut try_out: impl FnMut(&[u8]) -> String) {
        let mut starts = corpus(self.name);
        starts.extend(self.more.iter().map(|it| it.as_bytes().to_vec()));
        let mut known = BTreeSet::new();
        let mut slowest = Duration::ZERO;
        let mut one = |input: &[u8]| {
            let guard = Found { name: self.name, input };
            let began = Instant::now();
            let word = try_out(input);
            slowest = slowest.max(began.elapsed());
            std::mem::forget(guard);
            word
        };
        for input in &starts {
            known.insert(one(input));
        }
        let cases = number("CHECKRAIL_FUZZ_CASES").unwrap_or(CASES).div_ceil(self.weight);
        let mut dice = Dice::new(number("CHECKRAIL_FUZZ_SEED").unwrap_or(1));
        let changer = Changer { words: self.words, longest: LONGEST };
        for _ in 0..cases {
            let input = changer.change(&starts, &mut dice);
            if known.insert(one(&input)) && starts.len() < MOST_STARTS {
                starts.push(input);
            }
        }
        eprintln!(
            "{}: {cases} damaged inputs, {} kinds of outcome, slowest {slowest:?}",
            self.name,
            known.len()
        );
    }
}

fn number(variable: &str) -> Option<u64> {
    let text = std::env::var(variable).ok()?;
    Some(text.parse().unwrap_or_else(|_| panic!("{variable} is a number, not `{text}`")))
}

fn corpus(name: &str) -> Vec<Vec<u8>> {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("../../tests/fuzz/corpus").join(name);
    let entries = fs::read_dir(&folder).expect("a folder of the corpus");
    let mut paths: Vec<PathBuf> = entries.flatten().map(|it| it.path()).collect();
    paths.sort();
    assert!(!paths.is_empty(), "{} is empty", folder.display());
    paths.iter().map(|path| fs::read(path).expect("readable")).collect()
}

/// Tells the input that was being tried when a panic came by.
struct Found<'a> {
    name: &'a str,
    input: &'a [u8],
}

impl Drop for Found<'_> {
    fn drop(&mut self) {
        if !std::thread::panicking() {
            return;
        }
        eprintln!("{} does not stand: b\"{}\"", self.name, self.input.escape_ascii());
        if let Ok(folder) = std::env::var("CHECKRAIL_FUZZ_KEEP") {
            let path = Path::new(&folder).join(format!("{}-found", self.name));
            match fs::write(&path, self.input) {
                Ok(()) => eprintln!("kept as {}", path.display()),
                Err(error) => eprintln!("not kept: {error}"),
            }
        }
    }
}
