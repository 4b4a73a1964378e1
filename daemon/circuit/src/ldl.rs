//! Sparse symmetric factorisation A = L D Lᵀ of a positive definite matrix, and solves that touch no more of L than
//! they must.
//!
//! Own code rather than a library's because supervision uses what comes out of it: the operations and their order
//! depend on the matrix alone, never on the processor. Column `j` of L holds rows below `j`; the first of them is the
//! parent of `j` in the elimination tree, and a right-hand side with one entry spreads up that tree only.

use std::cmp::Ordering;

use crate::order::{Graph, minimum_degree};

const ROOT: u32 = u32::MAX;

/// A symmetric matrix without a usable factor.
#[derive(Clone, Copy, Debug, Eq, PartialEq, thiserror::Error)]
pub enum FactorError {
    /// A pivot is zero or negative: a part of the network floats, or an entry is no number.
    #[error("the matrix has no positive pivot at row {row}")]
    NotPositive {
        /// Row of the matrix.
        row: usize,
    },
}

/// One triangle of a symmetric matrix: diagonal, and entries above zero times one off it.
#[derive(Clone, Debug, Default)]
pub struct Symmetric {
    /// The diagonal.
    pub diagonal: Vec<f64>,
    /// Row, column, value; each pair of different rows either way round, repeated entries add up.
    pub off: Vec<(u32, u32, f64)>,
}

/// The factor.
#[derive(Clone, Debug)]
pub struct Factor {
    /// Position in the order of elimination, by row of the matrix.
    place: Vec<u32>,
    /// Row of the matrix, by position.
    order: Vec<u32>,
    /// Parent in the elimination tree, by position.
    parents: Vec<u32>,
    /// Where each column of L starts.
    starts: Vec<usize>,
    /// Rows of L, column after column, ascending.
    rows: Vec<u32>,
    /// Entries of L.
    values: Vec<f64>,
    /// Reciprocals of D.
    inverse: Vec<f64>,
}

/// L⁻¹ b for a right-hand side with few entries: positions ascending, with values.
#[derive(Clone, Debug, Default)]
pub struct Half {
    /// Positions in the order of elimination, ascending, with values.
    entries: Vec<(u32, f64)>,
}

/// The strictly upper triangle after ordering, column by column: what up-looking factorisation reads.
struct Upper {
    starts: Vec<usize>,
    entries: Vec<(u32, f64)>,
    diagonal: Vec<f64>,
}

impl Upper {
    fn new(matrix: &Symmetric, place: &[u32]) -> Self {
        let size = place.len();
        let mut diagonal = vec![0.0; size];
        for (row, &value) in matrix.diagonal.iter().enumerate() {
            diagonal[place[row] as usize] = value;
        }
        let mut starts = vec![0; size + 1];
        let placed = |&(a, b, value): &(u32, u32, f64)| {
            let (a, b) = (place[a as usize], place[b as usize]);
            (a.min(b), a.max(b), value)
        };
        for entry in &matrix.off {
            starts[placed(entry).1 as usize + 1] += 1;
        }
        for column in 0..size {
            starts[column + 1] += starts[column];
        }
        let mut next = starts.clone();
        let mut entries = vec![(0, 0.0); matrix.off.len()];
        for entry in &matrix.off {
            let (row, column, value) = placed(entry);
            entries[next[column as usize]] = (row, value);
            next[column as usize] += 1;
        }
        Self { starts, entries, diagonal }
    }

    fn column(&self, column: usize) -> &[(u32, f64)] {
        &self.entries[self.starts[column]..self.starts[column + 1]]
    }
}

impl Factor {
    /// Orders and factorises.
    ///
    /// # Errors
    /// [`FactorError::NotPositive`] when the matrix is not positive definite: find islands first.
    pub fn new(matrix: &Symmetric) -> Result<Self, FactorError> {
        let size = matrix.diagonal.len();
        let graph = Graph::new(size, matrix.off.iter().map(|&(a, b, _)| (a, b)));
        Self::in_order(matrix, minimum_degree(&graph))
    }

    /// Factorises in a given order: every row of the matrix once.
    ///
    /// # Errors
    /// [`FactorError::NotPositive`] when the matrix is not positive definite.
    pub(crate) fn in_order(matrix: &Symmetric, order: Vec<u32>) -> Result<Self, FactorError> {
        let mut place = vec![0; order.len()];
        for (at, &row) in order.iter().enumerate() {
            place[row as usize] = at as u32;
        }
        let upper = Upper::new(matrix, &place);
        let (parents, counts) = tree(&upper);
        let mut factor = Self::empty(place, order, parents, &counts);
        factor.fill(&upper)?;
        Ok(factor)
    }

    fn empty(place: Vec<u32>, order: Vec<u32>, parents: Vec<u32>, counts: &[usize]) -> Self {
        let mut starts = vec![0; counts.len() + 1];
        for (column, count) in counts.iter().enumerate() {
            starts[column + 1] = starts[column] + count;
        }
        let entries = starts[counts.len()];
        let inverse = vec![0.0; counts.len()];
        Self {
            place,
            order,
            parents,
            starts,
            rows: vec![0; entries],
            values: vec![0.0; entries],
            inverse,
        }
    }

    /// Row after row of L: row `k` solves with the columns that its entries reach in the elimination tree.
    fn fill(&mut self, upper: &Upper) -> Result<(), FactorError> {
        let size = self.inverse.len();
        let mut ends = self.starts.clone();
        let mut work = vec![0.0; size];
        let mut seen = vec![ROOT; size];
        let mut reach = Vec::new();
        for row in 0..size {
            let mut pivot = upper.diagonal[row];
            reach.clear();
            seen[row] = row as u32;
            for &(column, value) in upper.column(row) {
                work[column as usize] += value;
                self.climb(column, row as u32, &mut seen, &mut reach);
            }
            reach.sort_unstable();
            for &column in &reach {
                pivot -= self.eliminate(column as usize, row as u32, &mut work, &mut ends);
            }
            if !(pivot > 0.0 && pivot.is_finite()) {
                return Err(FactorError::NotPositive { row: self.order[row] as usize });
            }
            self.inverse[row] = 1.0 / pivot;
        }
        Ok(())
    }

    /// Adds the part of the tree between `column` and `row` that was not seen yet.
    fn climb(&self, column: u32, row: u32, seen: &mut [u32], reach: &mut Vec<u32>) {
        let mut at = column;
        while seen[at as usize] != row {
            seen[at as usize] = row;
            reach.push(at);
            at = self.parents[at as usize];
        }
    }

    /// One column's part in a row: updates what is left of the row, stores the entry, returns what the pivot loses.
    fn eliminate(&mut self, column: usize, row: u32, work: &mut [f64], ends: &mut [usize]) -> f64 {
        let value = std::mem::take(&mut work[column]);
        for at in self.starts[column]..ends[column] {
            work[self.rows[at] as usize] -= self.values[at] * value;
        }
        let entry = value * self.inverse[column];
        self.rows[ends[column]] = row;
        self.values[ends[column]] = entry;
        ends[column] += 1;
        entry * value
    }

    /// Number of rows.
    #[must_use]
    pub fn size(&self) -> usize {
        self.inverse.len()
    }

    /// Entries of L below the diagonal.
    #[must_use]
    pub fn entries(&self) -> usize {
        self.values.len()
    }

    /// Solves A x = b in place; `work` is scratch of the same length.
    ///
    /// # Panics
    /// When a length differs from [`Factor::size`].
    pub fn solve(&self, right: &mut [f64], work: &mut [f64]) {
        assert_eq!(right.len(), self.size());
        for (value, &row) in work.iter_mut().zip(&self.order) {
            *value = right[row as usize];
        }
        for column in 0..self.size() {
            let value = work[column];
            if value != 0.0 {
                self.spread(column, value, work);
            }
        }
        self.back(work);
        for (value, &row) in work.iter().zip(&self.order) {
            right[row as usize] = *value;
        }
    }

    /// A⁻¹ b from the half of b; `work` is scratch of the same length.
    ///
    /// # Panics
    /// When a length differs from [`Factor::size`].
    pub fn whole(&self, half: &Half, solution: &mut [f64], work: &mut [f64]) {
        assert_eq!(solution.len(), self.size());
        work.fill(0.0);
        for &(column, value) in &half.entries {
            work[column as usize] = value;
        }
        self.back(work);
        for (value, &row) in work.iter().zip(&self.order) {
            solution[row as usize] = *value;
        }
    }

    /// Entries of a column of L with their rows.
    fn column(&self, column: usize) -> impl Iterator<Item = (&u32, &f64)> {
        let range = self.starts[column]..self.starts[column + 1];
        self.rows[range.clone()].iter().zip(&self.values[range])
    }

    /// Takes a column times `value` away from what is below it.
    fn spread(&self, column: usize, value: f64, work: &mut [f64]) {
        for (&row, entry) in self.column(column) {
            work[row as usize] -= entry * value;
        }
    }

    /// D and Lᵀ of a solve, in the order of elimination.
    fn back(&self, work: &mut [f64]) {
        for column in (0..self.size()).rev() {
            let mut value = work[column] * self.inverse[column];
            for (&row, entry) in self.column(column) {
                value -= entry * work[row as usize];
            }
            work[column] = value;
        }
    }

    /// L⁻¹ b for a right-hand side with the given entries. `work` is all zero before and after.
    pub fn half(&self, right: &[(u32, f64)], work: &mut [f64]) -> Half {
        let mut reach = Vec::new();
        for &(row, value) in right {
            let mut at = self.place[row as usize];
            work[at as usize] += value;
            while at != ROOT {
                reach.push(at);
                at = self.parents[at as usize];
            }
        }
        reach.sort_unstable();
        reach.dedup();
        let mut entries = Vec::with_capacity(reach.len());
        for &column in &reach {
            let value = std::mem::take(&mut work[column as usize]);
            if value != 0.0 {
                self.spread(column as usize, value, work);
                entries.push((column, value));
            }
        }
        Half { entries }
    }

    /// bᵀ A⁻¹ c from the halves of b and c.
    #[must_use]
    pub fn product(&self, b: &Half, c: &Half) -> f64 {
        let (b, c) = (&b.entries, &c.entries);
        let (mut at_b, mut at_c) = (0, 0);
        let mut sum = 0.0;
        while at_b < b.len() && at_c < c.len() {
            match b[at_b].0.cmp(&c[at_c].0) {
                Ordering::Less => at_b += 1,
                Ordering::Greater => at_c += 1,
                Ordering::Equal => {
                    sum += b[at_b].1 * c[at_c].1 * self.inverse[b[at_b].0 as usize];
                    at_b += 1;
                    at_c += 1;
                }
            }
        }
        sum
    }
}

/// Elimination tree and number of entries in each column of L.
fn tree(upper: &Upper) -> (Vec<u32>, Vec<usize>) {
    let size = upper.diagonal.len();
    let mut parents = vec![ROOT; size];
    let mut counts = vec![0; size];
    let mut seen = vec![ROOT; size];
    for row in 0..size {
        seen[row] = row as u32;
        for &(column, _) in upper.column(row) {
            let mut at = column as usize;
            while seen[at] != row as u32 {
                if parents[at] == ROOT {
                    parents[at] = row as u32;
                }
                counts[at] += 1;
                seen[at] = row as u32;
                at = parents[at] as usize;
            }
        }
    }
    (parents, counts)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A ladder of `size` rows, tied to ground at its first row, with a chord.
    fn ladder(size: u32) -> Symmetric {
        let mut matrix = Symmetric { diagonal: vec![0.0; size as usize], off: Vec::new() };
        matrix.diagonal[0] = 10.0;
        let links = (1..size).map(|at| (at - 1, at, f64::from(at % 7) + 1.0));
        for (a, b, value) in links.chain([(0, size - 1, 0.5)]) {
            matrix.diagonal[a as usize] += value;
            matrix.diagonal[b as usize] += value;
            matrix.off.push((a, b, -value));
        }
        matrix
    }

    fn times(matrix: &Symmetric, x: &[f64]) -> Vec<f64> {
        let mut product: Vec<f64> = matrix.diagonal.iter().zip(x).map(|(d, x)| d * x).collect();
        for &(a, b, value) in &matrix.off {
            product[a as usize] += value * x[b as usize];
            product[b as usize] += value * x[a as usize];
        }
        product
    }

    #[test]
    fn what_is_solved_multiplies_back_to_the_right_hand_side() {
        let matrix = ladder(200);
        let factor = Factor::new(&matrix).expect("a grounded ladder is positive definite");
        let right: Vec<f64> = (0..200).map(|at| f64::from(at % 11) - 5.0).collect();
        let (mut x, mut work) = (right.clone(), vec![0.0; 200]);
        factor.solve(&mut x, &mut work);
        for (got, want) in times(&matrix, &x).iter().zip(&right) {
            assert!((got - want).abs() < 1e-9, "{got} is not {want}");
        }
    }

    #[test]
    fn halves_multiply_to_entries_of_the_inverse() {
        let factor = Factor::new(&ladder(50)).expect("a grounded ladder is positive definite");
        let mut work = vec![0.0; 50];
        for (row, column) in [(0, 0), (3, 40), (49, 49), (20, 21)] {
            let mut x = vec![0.0; 50];
            x[column as usize] = 1.0;
            factor.solve(&mut x, &mut vec![0.0; 50]);
            let halves = [row, column].map(|at| factor.half(&[(at, 1.0)], &mut work));
            let got = factor.product(&halves[0], &halves[1]);
            assert!((got - x[row as usize]).abs() < 1e-12);
        }
    }

    #[test]
    fn a_floating_part_has_no_factor() {
        let matrix = Symmetric { diagonal: vec![1.0, 1.0], off: vec![(0, 1, -1.0)] };
        let want = FactorError::NotPositive { row: 1 };
        let got = Factor::new(&matrix).expect_err("a floating branch is singular");
        assert!(got == want || got == FactorError::NotPositive { row: 0 });
    }
}
