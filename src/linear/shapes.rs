//! How a train swings: each natural frequency with the share that every node has in it.
//!
//! What it does not: damping (see `facts.rs`), play (gaps are closed). Start reading at [`shapes`].

use nalgebra::{DMatrix, SymmetricEigen};

use crate::base::units::TURN_RAD;
use crate::linear::facts::ratios_to_motor;
use crate::plant::train::{Node, Parameters};

/// One natural frequency of the free train without damping.
#[derive(Clone, Debug, PartialEq)]
pub struct Shape {
    /// The frequency in Hz.
    pub hz: f64,
    /// How far each node swings, motor first, referred to the motor (times the ratio between): the largest is 1, the
    /// motor's not negative.
    pub swing: Vec<f64>,
}

/// The free train's shapes by rising frequency, one fewer than nodes: that in which all nodes turn alike is left out.
///
/// With y_i = R_i θ_i, R_i the motor's turns per turn of node i, the train is M y'' = −K y, M_i = J_i / R_i²,
/// K from springs k_i / R_{i+1}² between neighbours; with y = M^−½ v the matrix M^−½ K M^−½ is symmetric, its
/// eigenvalues are the squared frequencies and its eigenvectors the shapes.
#[must_use]
pub fn shapes(parameters: &Parameters) -> Vec<Shape> {
    let ratios = ratios_to_motor(parameters);
    let nodes = &parameters.nodes;
    let root = |(node, ratio): (&Node, &f64)| node.inertia_kgm2.sqrt() / ratio.abs();
    let roots: Vec<f64> = nodes.iter().zip(&ratios).map(root).collect();
    let mut symmetric: DMatrix<f64> = DMatrix::zeros(nodes.len(), nodes.len());
    for (i, coupling) in parameters.couplings.iter().enumerate() {
        let stiffness = coupling.stiffness_nm_per_rad / (ratios[i + 1] * ratios[i + 1]);
        symmetric[(i, i)] += stiffness / (roots[i] * roots[i]);
        symmetric[(i + 1, i + 1)] += stiffness / (roots[i + 1] * roots[i + 1]);
        symmetric[(i, i + 1)] -= stiffness / (roots[i] * roots[i + 1]);
        symmetric[(i + 1, i)] = symmetric[(i, i + 1)];
    }
    let eigen = SymmetricEigen::new(symmetric);
    let mut found: Vec<Shape> = (0..nodes.len())
        .map(|place| Shape {
            hz: eigen.eigenvalues[place].max(0.0).sqrt() / TURN_RAD,
            swing: scaled(eigen.eigenvectors.column(place).iter().zip(&roots).map(|(v, root)| v / root).collect()),
        })
        .collect();
    found.sort_by(|a, b| a.hz.total_cmp(&b.hz));
    found.remove(0);
    found
}

/// The largest swing as 1, the motor's not negative.
fn scaled(mut swing: Vec<f64>) -> Vec<f64> {
    let largest = swing.iter().fold(0.0_f64, |most, share| most.max(share.abs()));
    let scale = if swing[0] < 0.0 { -largest } else { largest };
    swing.iter_mut().for_each(|share| *share /= scale);
    swing
}
