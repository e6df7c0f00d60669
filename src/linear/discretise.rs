//! Exact discretisation of a linear system whose input is held over a tick.
//!
//! What it does not: approximate (no Tustin, no Padé of a delay). Start reading at [`held`].

use nalgebra::{DMatrix, DVector};

/// A linear system x' = A x + B u with u held over a tick: x_{k+1} = x_k + change · x_k + input · u_k.
#[derive(Clone, Debug, PartialEq)]
pub struct Held {
    /// exp(A T) − 1, kept as a difference so that slow modes keep their digits.
    pub change: DMatrix<f64>,
    /// ∫ exp(A t) dt B over one tick.
    pub input: DVector<f64>,
}

/// Discretises x' = A x + B u with u held over `period_s`: the matrix exponential of [[A, B], [0, 0]] T holds both parts
/// (Åström & Wittenmark, Computer-Controlled Systems, sampling of continuous-time signals).
#[must_use]
pub fn held(a: &DMatrix<f64>, b: &DVector<f64>, period_s: f64) -> Held {
    let n = a.nrows();
    let mut augmented = DMatrix::zeros(n + 1, n + 1);
    augmented.view_mut((0, 0), (n, n)).copy_from(a);
    augmented.view_mut((0, n), (n, 1)).copy_from(b);
    let change = exponential_less_one(&(augmented * period_s));
    Held { change: change.view((0, 0), (n, n)).into_owned(), input: change.view((0, n), (n, 1)).column(0).into_owned() }
}

/// exp(X) − 1: the Taylor series of X / 2^s with a row sum at most 1/8, then s times (1 + E)² − 1 = 2 E + E².
///
/// At 1/8 the first term left out, 8⁻¹⁴ / 14!, is below 1e-23. Working with E instead of 1 + E keeps the digits of what
/// changes little in a tick.
fn exponential_less_one(x: &DMatrix<f64>) -> DMatrix<f64> {
    let largest_row_sum = x.row_iter().map(|row| row.iter().map(|entry| entry.abs()).sum::<f64>()).fold(0.0, f64::max);
    let (mut scale, mut squarings) = (1.0, 0);
    while 0.125 < largest_row_sum * scale && squarings < 1000 {
        scale *= 0.5;
        squarings += 1;
    }
    let scaled = x * scale;
    let mut term = scaled.clone();
    let mut sum = scaled.clone();
    for k in 2..14 {
        term = &term * &scaled / f64::from(k);
        sum += &term;
    }
    for _ in 0..squarings {
        sum = &sum * 2.0 + &sum * &sum;
    }
    sum
}
