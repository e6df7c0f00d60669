//! The holding brake: a clamp on a node that slips above its torque.
//!
//! Closed it is dry friction whose static and kinetic torque are the same; open it may drag. It adds to the resisting
//! torque of its node, so stick and slip are as exact as those of any dry friction. What it does not: take time to open
//! or close, or know when to (see `drive`). Start reading at [`Brake`].

/// A brake between a node and the frame.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Brake {
    /// The node, from 0; the motor's is 0.
    pub node: usize,
    /// Torque in Nm up to which it holds and with which it slips while closed, above 0.
    pub torque_nm: f64,
    /// Torque in Nm with which it drags while open, at least 0; 0 in a sound one.
    pub drag_nm: f64,
}

impl Brake {
    /// What it resists with.
    #[must_use]
    pub fn resisting_nm(&self, closed: bool) -> f64 {
        if closed { self.torque_nm } else { self.drag_nm }
    }
}
