//! (s − A)⁻¹ b at many complex s, for a real matrix: the frequency response of a long chain.
//!
//! A = Q H Qᵀ with H zero below its first subdiagonal (Householder's reduction, once); then (s − H) y = Qᵀ b takes one
//! elimination of a subdiagonal with row exchanges, n² instead of n³ at every s (Laub, Efficient multivariable frequency
//! response computations, IEEE Trans. Automatic Control 26 (1981)). What it does not: small matrices, for which a whole
//! elimination is as fast ([`LONG`]). Start reading at [`Resolvent::at`].

use nalgebra::{DMatrix, DVector};
use num_complex::Complex64;

/// States from which on the reduction pays; chains of up to eight nodes have fewer.
pub(in crate::linear) const LONG: usize = 24;

/// A and b, reduced.
#[derive(Clone, Debug)]
pub(in crate::linear) struct Resolvent {
    q: DMatrix<f64>,
    h: DMatrix<f64>,
    input: DVector<f64>,
}

impl Resolvent {
    /// Reduces A.
    pub(in crate::linear) fn new(matrix: &DMatrix<f64>, input: &DVector<f64>) -> Self {
        let (q, h) = matrix.clone().hessenberg().unpack();
        let input = q.transpose() * input;
        Self { q, h, input }
    }

    /// (s − A)⁻¹ b; infinite where s is an eigenvalue.
    pub(in crate::linear) fn at(&self, s: Complex64) -> DVector<Complex64> {
        let size = self.h.nrows();
        let mut right: Vec<Complex64> = self.input.iter().map(|value| Complex64::new(*value, 0.0)).collect();
        let mut rows: Vec<Vec<Complex64>> = (0..size).map(|row| self.row(row, s)).collect();
        for column in 0..size.saturating_sub(1) {
            let (upper, lower) = rows.split_at_mut(column + 1);
            let (pivot, below) = (&mut upper[column], &mut lower[0]);
            if size_of(pivot[column]) < size_of(below[column]) {
                std::mem::swap(pivot, below);
                right.swap(column, column + 1);
            }
            if pivot[column] == Complex64::ZERO {
                continue; // nothing stands below either; the division at the end says infinite
            }
            let factor = below[column] / pivot[column];
            for (entry, above) in below[column..].iter_mut().zip(&pivot[column..]) {
                *entry -= factor * above;
            }
            let above = right[column];
            right[column + 1] -= factor * above;
        }
        for row in (0..size).rev() {
            let known: Complex64 = (row + 1..size).map(|column| rows[row][column] * right[column]).sum();
            right[row] = (right[row] - known) / rows[row][row];
        }
        let back = |row: usize| (0..size).map(|column| right[column] * self.q[(row, column)]).sum();
        DVector::from_iterator(size, (0..size).map(back))
    }

    /// A row of s − H, from its first entry on.
    fn row(&self, row: usize, s: Complex64) -> Vec<Complex64> {
        let entry = |column: usize| {
            let of_s = if column == row { s } else { Complex64::ZERO };
            let is_zero = column + 1 < row;
            of_s - if is_zero { 0.0 } else { self.h[(row, column)] }
        };
        (0..self.h.ncols()).map(entry).collect()
    }
}

/// Comparable to the modulus, without its root.
fn size_of(value: Complex64) -> f64 {
    value.re.abs() + value.im.abs()
}

#[cfg(test)]
mod tests {
    use nalgebra::{DMatrix, DVector};
    use num_complex::Complex64;

    use super::Resolvent;

    /// Against a whole elimination, for a matrix without any structure.
    #[test]
    fn it_solves_as_a_whole_elimination_does() {
        let matrix = DMatrix::from_fn(30, 30, |i, j| ((7 * i + 11 * j + i * j) % 23) as f64 / 23.0 - 0.5);
        let input = DVector::from_fn(30, |i, _| 1.0 / (1.0 + i as f64));
        let resolvent = Resolvent::new(&matrix, &input);
        for s in [Complex64::new(0.3, 1.7), Complex64::new(-0.01, 0.2), Complex64::new(4.0, 0.0)] {
            let to_complex = |value: f64| Complex64::new(value, 0.0);
            let whole = DMatrix::from_diagonal_element(30, 30, s) - matrix.map(to_complex);
            let expected = whole.lu().solve(&input.map(to_complex)).expect("s is no eigenvalue");
            for (found, expected) in resolvent.at(s).iter().zip(&expected) {
                assert!((found - expected).norm() < 1e-11, "{found} {expected}");
            }
        }
    }
}
