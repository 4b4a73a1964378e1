//! Small dense systems: as many unknowns as there are bridges and sources.

/// A square matrix, row after row.
#[derive(Clone, Debug)]
pub(crate) struct Dense {
    size: usize,
    cells: Vec<f64>,
}

impl Dense {
    pub(crate) fn zero(size: usize) -> Self {
        Self { size, cells: vec![0.0; size * size] }
    }

    pub(crate) fn at(&self, row: usize, column: usize) -> f64 {
        self.cells[row * self.size + column]
    }

    pub(crate) fn set(&mut self, row: usize, column: usize, value: f64) {
        self.cells[row * self.size + column] = value;
    }

    /// Solves for several right-hand sides at once, in place, by elimination with row exchange.
    /// False when the matrix is singular; the right-hand sides then mean nothing.
    pub(crate) fn solve(mut self, rights: &mut [Vec<f64>]) -> bool {
        for column in 0..self.size {
            let pivot = self.pivot(column);
            if self.at(pivot, column) == 0.0 || !self.at(pivot, column).is_finite() {
                return false;
            }
            self.exchange(pivot, column, rights);
            self.clear_below(column, rights);
        }
        for right in rights {
            self.back(right);
        }
        true
    }

    fn pivot(&self, column: usize) -> usize {
        let mut best = column;
        for row in column + 1..self.size {
            if self.at(row, column).abs() > self.at(best, column).abs() {
                best = row;
            }
        }
        best
    }

    fn exchange(&mut self, one: usize, other: usize, rights: &mut [Vec<f64>]) {
        if one == other {
            return;
        }
        for column in 0..self.size {
            self.cells.swap(one * self.size + column, other * self.size + column);
        }
        for right in rights {
            right.swap(one, other);
        }
    }

    fn clear_below(&mut self, column: usize, rights: &mut [Vec<f64>]) {
        let (above, below) = self.cells.split_at_mut((column + 1) * self.size);
        let pivots = &above[column * self.size + column..];
        for (place, row) in below.chunks_exact_mut(self.size).enumerate() {
            let row = &mut row[column..];
            let factor = row[0] / pivots[0];
            if factor == 0.0 {
                continue;
            }
            for (cell, pivot) in row.iter_mut().zip(pivots) {
                *cell -= factor * pivot;
            }
            for right in &mut *rights {
                right[column + 1 + place] -= factor * right[column];
            }
        }
    }

    fn back(&self, right: &mut [f64]) {
        for row in (0..self.size).rev() {
            let mut value = right[row];
            for (column, known) in right.iter().enumerate().skip(row + 1) {
                value -= self.at(row, column) * known;
            }
            right[row] = value / self.at(row, row);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_system_that_needs_a_row_exchange_is_solved() {
        let mut matrix = Dense::zero(2);
        matrix.set(0, 1, 2.0);
        matrix.set(1, 0, 4.0);
        let mut rights = [vec![6.0, 8.0]];
        assert!(matrix.solve(&mut rights));
        assert_eq!(rights[0], [2.0, 3.0]);
    }

    #[test]
    fn a_singular_system_is_refused() {
        assert!(!Dense::zero(2).solve(&mut [vec![1.0, 1.0]]));
    }
}
