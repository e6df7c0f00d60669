//! End stops at both ends of the last node's travel.
//!
//! A stop is a one-sided spring and damper: at penetration p it pushes back with max(0, k p + d p'), never sticks to
//! the node. What it does not: judge a strike (see `score`). Start reading at [`Stops`].

/// Both end stops of the last node.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Stops {
    /// Angle of the lower stop in rad.
    pub low_rad: f64,
    /// Angle of the upper stop in rad, above the lower one.
    pub high_rad: f64,
    /// k in Nm/rad, above 0.
    pub stiffness_nm_per_rad: f64,
    /// d in Nm·s/rad, at least 0.
    pub damping_nms_per_rad: f64,
}
