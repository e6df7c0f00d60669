//! Eigenvalues of a real square matrix.
//!
//! What it does not: eigenvectors. Start reading at [`eigenvalues`].

use nalgebra::DMatrix;
use nalgebra::linalg::Schur;
use nalgebra::linalg::balancing::balance_parlett_reinsch;
use num_complex::Complex64;

use crate::base::real;

/// Sweeps after which the Schur form counts as not found; some ten per state is usual.
const SWEEPS_MAX: usize = 100_000;

/// The eigenvalues; `None` when the iteration does not end. Balanced first, so that states in different units (rad, rad/s,
/// Nm) do not cost digits.
#[must_use]
pub fn eigenvalues(matrix: &DMatrix<f64>) -> Option<Vec<Complex64>> {
    if matrix.is_empty() {
        return Some(Vec::new());
    }
    let mut balanced = matrix.clone();
    balance_parlett_reinsch(&mut balanced);
    let schur = Schur::try_new(balanced, f64::EPSILON, SWEEPS_MAX)?;
    Some(schur.complex_eigenvalues().iter().map(|value| Complex64::new(value.re, value.im)).collect())
}

/// The largest modulus of the eigenvalues without computing them: the growth of A^(2^k) by repeated squaring. Right to
/// about 1e-12; for the matrices on which [`eigenvalues`] gives up.
#[must_use]
pub fn spectral_radius(matrix: &DMatrix<f64>) -> f64 {
    let (mut power, mut log_scale) = (matrix.clone(), 0.0);
    for _ in 0..50 {
        let norm = power.norm();
        if norm == 0.0 {
            return 0.0;
        }
        power /= norm;
        log_scale = 2.0 * (log_scale + real::ln(norm));
        power = &power * &power;
    }
    real::exp((log_scale + real::ln(power.norm())) / real::pow(2.0, 50.0))
}
