//! Weights of the signs fitted to simulated faults: a conditional logit over the suspects of each record, drawn towards the
//! weights in force, which are judgement.
//!
//! The weight of a suspect is that of its kind times the ratios of its signs, its share that of all suspects: so the
//! logarithms of the ratios are the coefficients of a softmax over the suspects of a record. What is fitted maximizes the
//! likelihood of the true suspects less `pull` times the squared distance of each logarithm from the one in force. What the
//! contract fixes is left alone, and so is what each kind weighs before anything is seen: the faults are drawn equally often
//! from the list, as on no layout.

use std::{collections::BTreeMap, fmt::Write as _};

use supervision::locate::{self, Sign, Signed};

use super::{locating::Case, tally::Share};

/// Ratios are rounded to these, in hundredths: steps that can be told from each other.
const STEPS: [u32; 24] = [
    2, 3, 5, 8, 12, 20, 30, 40, 50, 65, 80, 120, 150, 200, 300, 400, 600, 800, 1200, 1600, 2400,
    3200, 4800, 6400,
];
/// Fixed by the contract: a clear turnout that did not move is 1/20, the loop's resistance moves odds by three at most.
const FIXED: [Sign; 5] =
    [Sign::ClearAndStill, Sign::LoopFits, Sign::LoopNear, Sign::LoopOff, Sign::LoopFarOff];
const ROUNDS: usize = 400;
const FOLDS: usize = 5;

/// One record as numbers: each suspect's logarithm of its kind's weight, and its signs.
struct Row {
    group: [usize; 2],
    suspects: Vec<(f64, Vec<usize>, bool)>,
    /// Suspects that one event cannot tell apart do not have to be told apart.
    told: bool,
}

struct Data {
    signs: Vec<Sign>,
    rows: Vec<Row>,
}

/// Fits and says how it went; `pull` as above.
pub fn report(cases: &[Case], pull: f64) -> String {
    let data = Data::new(cases);
    let start = data.in_force();
    let all = |_: &Row| true;
    let fitted = data.fit(&start, pull, all);
    let mut text = data.table(&start, &fitted);
    let rounded: Vec<f64> = (0..fitted.len()).map(|at| data.step(at, &start, &fitted)).collect();
    let _ = writeln!(text, "\n{} records, pull {pull}", data.rows.len());
    for (name, weights) in
        [("in force", &start), ("fitted", &fitted), ("fitted, in steps", &rounded)]
    {
        let _ = writeln!(text, "{name:<32} {}", data.judged(weights, all));
    }
    for (kind, name) in ["left out by scenario", "left out by layout"].into_iter().enumerate() {
        let mut shares = [Share::default(); 2];
        let mut loss = 0.0;
        for fold in 0..FOLDS {
            let out = |row: &Row| row.group[kind] % FOLDS == fold;
            let weights = data.fit(&start, pull, |row| !out(row));
            data.judge(&weights, out, &mut shares, &mut loss);
        }
        let _ = writeln!(text, "{name:<32} {}", said(&shares, loss / data.rows.len() as f64));
    }
    text
}

fn said([first, three]: &[Share; 2], loss: f64) -> String {
    format!(
        "first {:>5}, in three {:>5}, mean log loss {loss:.3}",
        first.percent(),
        three.percent()
    )
}

impl Data {
    fn new(cases: &[Case]) -> Self {
        let mut signs: Vec<Sign> =
            cases.iter().flat_map(|it| &it.suspects).flat_map(|it| it.signs.clone()).collect();
        signs.sort_unstable();
        signs.dedup();
        let at = |sign: &Sign| signs.binary_search(sign).expect("all signs are listed");
        let suspect = |it: &Signed, is_true: bool| {
            let prior = (f64::from(it.prior) / 100.0).ln();
            (prior, it.signs.iter().map(at).collect(), is_true)
        };
        let mut scenarios: BTreeMap<&str, usize> = BTreeMap::new();
        let rows = cases.iter().filter(|it| it.is_true.contains(&true)).map(|case| {
            let next = scenarios.len();
            let scenario = *scenarios.entry(case.scenario.id).or_insert(next);
            let suspects = case.suspects.iter().zip(&case.is_true);
            Row {
                group: [scenario, case.bed],
                suspects: suspects.map(|(it, is_true)| suspect(it, *is_true)).collect(),
                told: !case.named.inseparable,
            }
        });
        let rows = rows.collect();
        Self { signs, rows }
    }

    fn in_force(&self) -> Vec<f64> {
        self.signs.iter().map(|it| (f64::from(locate::ratio(*it)) / 100.0).ln()).collect()
    }

    fn shares(row: &Row, weights: &[f64]) -> Vec<f64> {
        let score =
            |it: &(f64, Vec<usize>, bool)| it.0 + it.1.iter().map(|at| weights[*at]).sum::<f64>();
        let scores: Vec<f64> = row.suspects.iter().map(score).collect();
        let most = scores.iter().copied().fold(f64::NEG_INFINITY, f64::max);
        let weights: Vec<f64> = scores.iter().map(|it| (it - most).exp()).collect();
        let sum: f64 = weights.iter().sum();
        weights.iter().map(|it| it / sum).collect()
    }

    /// Adaptive steps down the gradient; the loss is smooth and all but convex.
    fn fit(&self, start: &[f64], pull: f64, with: impl Fn(&Row) -> bool) -> Vec<f64> {
        let free: Vec<bool> = self.signs.iter().map(|it| !FIXED.contains(it)).collect();
        let mut weights = start.to_vec();
        let (mut mean, mut square) = (vec![0.0; start.len()], vec![0.0; start.len()]);
        for round in 1..=ROUNDS {
            let mut gradient: Vec<f64> =
                weights.iter().zip(start).map(|(now, from)| 2.0 * pull * (now - from)).collect();
            for row in self.rows.iter().filter(|row| with(row)) {
                let shares = Self::shares(row, &weights);
                let truth: f64 =
                    row.suspects.iter().zip(&shares).filter(|it| it.0.2).map(|it| it.1).sum();
                for (suspect, share) in row.suspects.iter().zip(&shares) {
                    let wanted = if suspect.2 { share / truth.max(1e-12) } else { 0.0 };
                    for at in &suspect.1 {
                        gradient[*at] += share - wanted;
                    }
                }
            }
            let rate = 0.1 / (1.0 + round as f64 / 100.0);
            for at in (0..weights.len()).filter(|at| free[*at]) {
                mean[at] = 0.9 * mean[at] + 0.1 * gradient[at];
                square[at] = 0.99 * square[at] + 0.01 * gradient[at] * gradient[at];
                let corrected = 1.0 - 0.99_f64.powi(round as i32);
                weights[at] -= rate * mean[at] / ((square[at] / corrected).sqrt() + 1e-6);
            }
        }
        weights
    }

    /// The logarithm of the nearest step; what is fixed stays.
    fn step(&self, at: usize, start: &[f64], fitted: &[f64]) -> f64 {
        if FIXED.contains(&self.signs[at]) {
            return start[at];
        }
        let steps = STEPS.iter().map(|it| (f64::from(*it) / 100.0).ln());
        steps
            .min_by(|a, b| (a - fitted[at]).abs().total_cmp(&(b - fitted[at]).abs()))
            .unwrap_or(0.0)
    }

    fn judge(
        &self,
        weights: &[f64],
        with: impl Fn(&Row) -> bool,
        shares: &mut [Share; 2],
        loss: &mut f64,
    ) {
        for row in self.rows.iter().filter(|row| with(row)) {
            let of = Self::shares(row, weights);
            let mut truth = 0.0;
            let mut best: f64 = 0.0;
            for (suspect, share) in row.suspects.iter().zip(&of).filter(|it| it.0.2) {
                truth += share;
                best = best.max(*share);
                let _ = suspect;
            }
            let before = row.suspects.iter().zip(&of).filter(|it| !it.0.2 && best <= *it.1).count();
            shares[0].add(before == 0);
            shares[1].add(before < 3);
            *loss -= truth.max(1e-12).ln();
        }
    }

    fn judged(&self, weights: &[f64], with: impl Fn(&Row) -> bool) -> String {
        let mut shares = [Share::default(); 2];
        let mut loss = 0.0;
        self.judge(weights, &with, &mut shares, &mut loss);
        let mut told = [Share::default(); 2];
        self.judge(weights, |row| with(row) && row.told, &mut told, &mut 0.0);
        format!(
            "{}; told apart: first {}, in three {}",
            said(&shares, loss / self.rows.len() as f64),
            told[0].percent(),
            told[1].percent()
        )
    }

    fn table(&self, start: &[f64], fitted: &[f64]) -> String {
        let mut text = format!(
            "{:<22} {:>6} {:>6} {:>9} {:>9} {:>9}\n",
            "sign", "true", "false", "in force", "fitted", "step"
        );
        for (at, sign) in self.signs.iter().enumerate() {
            let count = |wanted: bool| {
                let has = |it: &&(f64, Vec<usize>, bool)| it.2 == wanted && it.1.contains(&at);
                self.rows.iter().flat_map(|row| &row.suspects).filter(has).count()
            };
            let of = |it: f64| format!("{:.2}", it.exp());
            let _ = writeln!(
                text,
                "{:<22} {:>6} {:>6} {:>9} {:>9} {:>9}",
                format!("{sign:?}"),
                count(true),
                count(false),
                of(start[at]),
                of(fitted[at]),
                of(self.step(at, start, fitted))
            );
        }
        text
    }
}
