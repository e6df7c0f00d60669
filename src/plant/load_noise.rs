//! Random load torques: processes of Ornstein and Uhlenbeck, drawn once a tick.
//!
//! At the ticks' borders the process is exact: from x now, x a + rms √(1 − a²) N one tick later, a = exp(−2π fc T)
//! (Gillespie, Exact numerical simulation of the Ornstein-Uhlenbeck process, Phys. Rev. E 54 (1996)). Between two
//! borders the torque goes in a straight line: the process is continuous, and a torque that jumps at every tick would
//! tear off a sticking node at a border and nowhere else. The line is what the process is expected to do there but for
//! a curve that does not matter while the corner lies well below the tick rate; in the middle of a tick its variance is
//! (1 + a) / 2 of the process's. What it does not: act on the plant ([`crate::plant::stepper::Plant::step_under`]).
//! Start reading at [`LoadNoise`].

use crate::base::random::Stream;
use crate::base::real;
use crate::base::time::TickRate;
use crate::base::units::TURN_RAD;
use crate::plant::load::{Load, LoadKind};
use crate::plant::stepper::Ramp;

/// A load torque on a node over one tick.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct NodeTorque {
    /// The node, from 0.
    pub node: usize,
    /// The torque in Nm, against positive motion.
    pub torque_nm: Ramp,
}

/// One process.
#[derive(Clone, Debug)]
pub struct OrnsteinUhlenbeck {
    /// a: what is left of the present value after a tick.
    keeps: f64,
    /// Standard deviation of what a tick adds.
    fresh: f64,
    value: f64,
    stream: Stream,
}

impl OrnsteinUhlenbeck {
    /// A process in its steady state: its first value is drawn like all others.
    #[must_use]
    pub fn new(rms: f64, corner_hz: f64, rate: TickRate, mut stream: Stream) -> Self {
        let keeps = real::exp(-TURN_RAD * corner_hz * rate.period_s());
        let value = rms * stream.normal();
        Self { keeps, fresh: rms * (1.0 - keeps * keeps).sqrt(), value, stream }
    }

    /// Goes on by one tick.
    pub fn tick(&mut self) -> Ramp {
        let start = self.value;
        self.value = self.keeps * start + self.fresh * self.stream.normal();
        Ramp { start, end: self.value }
    }

    /// a, and the standard deviation of what a tick adds.
    #[must_use]
    pub fn factors(&self) -> (f64, f64) {
        (self.keeps, self.fresh)
    }
}

/// Every random load of a machine. A clone goes on with the same numbers.
#[derive(Clone, Debug, Default)]
pub struct LoadNoise {
    processes: Vec<OrnsteinUhlenbeck>,
    torques: Vec<NodeTorque>,
}

impl LoadNoise {
    /// The random ones among some loads; `stream` gives the random stream of a source's name.
    #[must_use]
    pub fn new(loads: &[Load], rate: TickRate, stream: impl Fn(&str) -> Stream) -> Self {
        let mut noise = Self::default();
        for load in loads {
            if let LoadKind::Noise { rms_nm, corner_hz, source } = &load.kind {
                noise.processes.push(OrnsteinUhlenbeck::new(*rms_nm, *corner_hz, rate, stream(source)));
                noise.torques.push(NodeTorque { node: load.node, torque_nm: Ramp::default() });
            }
        }
        noise
    }

    /// The torques of the next tick; none where no load is random.
    pub fn tick(&mut self) -> &[NodeTorque] {
        for (process, torque) in self.processes.iter_mut().zip(&mut self.torques) {
            torque.torque_nm = process.tick();
        }
        &self.torques
    }
}
