//! How a method treats the machine: travel, strikes, overspeed, trips, moves, effort, fed once per tick.
//!
//! What it does not: stop anybody (the trial decides what a breach costs). Start reading at [`Watch::tick`].

use crate::base::time::TickRate;
use crate::base::units::{DEG_RAD, RPM_RAD_PER_S};
use crate::score::answer::{Answer, NoNumber};
use crate::score::effort::AT_LIMIT_FRAC;
use crate::score::measure::Measure;

/// Speed from which on the axis moves, in rpm as a motor speed: where the drive calls a quick stop finished.
pub const MOVES_RPM: f64 = 5.0;
/// Seconds below [`MOVES_RPM`] after which the axis stands; a reversal passes through in less.
pub const STANDS_AFTER_S: f64 = 0.05;

/// What the machine allows.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Rules {
    /// Ticks per second.
    pub rate: TickRate,
    /// Load angle from which the window counts, in rad: 0, or the start on an endless axis.
    pub origin_rad: f64,
    /// Lowest load angle allowed, in rad from the origin.
    pub window_low_rad: f64,
    /// Highest load angle allowed, in rad from the origin.
    pub window_high_rad: f64,
    /// Highest motor speed allowed, in rad/s.
    pub max_speed_rad_per_s: f64,
    /// Motor turns per load turn.
    pub total_ratio: f64,
    /// Rated torque of the motor in Nm.
    pub rated_torque_nm: f64,
    /// The end stops, where the axis has them.
    pub stops: Option<Stops>,
}

/// End stops as one-sided spring-dampers on the load, torque max(0, k p + d p′).
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Stops {
    /// Load angle at which the lower one is met, in rad.
    pub low_rad: f64,
    /// Load angle at which the upper one is met, in rad.
    pub high_rad: f64,
    /// Stiffness in Nm/rad.
    pub stiffness_nm_per_rad: f64,
    /// Damping in Nms/rad.
    pub damping_nms_per_rad: f64,
}

/// The truth of one tick.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Seen {
    /// Load angle in rad.
    pub load_angle_rad: f64,
    /// Load speed in rad/s, load side.
    pub load_speed_rad_per_s: f64,
    /// Motor speed in rad/s.
    pub motor_speed_rad_per_s: f64,
    /// Torque command after filters and limit, in Nm.
    pub torque_command_nm: f64,
    /// The drive's torque limit in this tick, in Nm.
    pub torque_limit_nm: f64,
}

/// Conduct so far.
#[derive(Clone, Debug)]
pub struct Watch {
    rules: Rules,
    ticks: u64,
    last: Option<Seen>,
    low_rad: f64,
    high_rad: f64,
    path_rad: f64,
    fastest_rad_per_s: f64,
    squares_nm2: f64,
    peak_nm: f64,
    ticks_at_limit: u64,
    ticks_slow: u64,
    moves: u32,
    strikes: u32,
    contact: Contact,
    stop_energy_j: f64,
    /// Kinetic energy of the last strike, as long as no tick has shown whether the stop is compressed after it.
    unseen_strike_j: f64,
    faults: u32,
    settings_kept: Option<bool>,
}

/// The stop as it is being compressed.
#[derive(Clone, Copy, Debug, Default)]
struct Contact {
    compression_rad: f64,
    deepest_rad: f64,
    torque_nm: f64,
    work_j: f64,
}

impl Watch {
    /// Before the first tick, the axis standing.
    #[must_use]
    pub fn new(rules: Rules) -> Self {
        Self {
            rules,
            ticks: 0,
            last: None,
            low_rad: f64::INFINITY,
            high_rad: f64::NEG_INFINITY,
            path_rad: 0.0,
            fastest_rad_per_s: 0.0,
            squares_nm2: 0.0,
            peak_nm: 0.0,
            ticks_at_limit: 0,
            ticks_slow: u64::MAX,
            moves: 0,
            strikes: 0,
            contact: Contact::default(),
            stop_energy_j: 0.0,
            unseen_strike_j: 0.0,
            faults: 0,
            settings_kept: None,
        }
    }

    /// One tick of the machine, in order.
    pub fn tick(&mut self, seen: &Seen) {
        self.ticks += 1;
        self.travel(seen);
        self.effort(seen);
        self.count_moves(seen);
        if let Some(stops) = self.rules.stops {
            self.press(&stops, seen);
        }
        self.last = Some(*seen);
    }

    /// A stop was struck; `energy_j` is the node's kinetic energy at contact.
    ///
    /// It counts as the strike's energy only when the next tick does not see the stop compressed: then the contact was
    /// shorter than a tick and nearly all of that energy went into the stop. So it does when another strike follows
    /// before that tick.
    pub fn strike(&mut self, energy_j: f64) {
        self.strikes += 1;
        self.stop_energy_j = self.stop_energy_j.max(self.unseen_strike_j);
        self.unseen_strike_j = energy_j;
    }

    /// The drive tripped.
    pub fn fault(&mut self) {
        self.faults += 1;
    }

    /// Whether a power cycle brought the tuned settings back.
    pub fn power_cycled(&mut self, settings_kept: bool) {
        self.settings_kept = Some(settings_kept);
    }

    fn travel(&mut self, seen: &Seen) {
        let angle_rad = seen.load_angle_rad - self.rules.origin_rad;
        self.low_rad = self.low_rad.min(angle_rad);
        self.high_rad = self.high_rad.max(angle_rad);
        self.path_rad += self.last.map_or(0.0, |last| (seen.load_angle_rad - last.load_angle_rad).abs());
        self.fastest_rad_per_s = self.fastest_rad_per_s.max(seen.motor_speed_rad_per_s.abs());
    }

    fn effort(&mut self, seen: &Seen) {
        let torque_nm = seen.torque_command_nm.abs();
        self.squares_nm2 += torque_nm * torque_nm;
        self.peak_nm = self.peak_nm.max(torque_nm);
        self.ticks_at_limit += u64::from(AT_LIMIT_FRAC * seen.torque_limit_nm <= torque_nm);
    }

    fn count_moves(&mut self, seen: &Seen) {
        let speed_rad_per_s = (seen.load_speed_rad_per_s * self.rules.total_ratio).abs();
        if speed_rad_per_s <= MOVES_RPM * RPM_RAD_PER_S {
            self.ticks_slow = self.ticks_slow.saturating_add(1);
            return;
        }
        self.moves += u32::from(self.rules.rate.nearest_tick(STANDS_AFTER_S) <= self.ticks_slow);
        self.ticks_slow = 0;
    }

    /// Adds the work of this tick's compression and keeps the work at the greatest compression so far.
    fn press(&mut self, stops: &Stops, seen: &Seen) {
        let (below, above) = (stops.low_rad - seen.load_angle_rad, seen.load_angle_rad - stops.high_rad);
        let compression_rad = below.max(above);
        let unseen_strike_j = std::mem::take(&mut self.unseen_strike_j);
        if compression_rad <= 0.0 {
            self.stop_energy_j = self.stop_energy_j.max(unseen_strike_j);
            self.contact = Contact::default();
            return;
        }
        let inwards = |speed: f64| if above < below { -speed } else { speed };
        let torque = |compression_rad: f64, seen: &Seen| {
            let rate = inwards(seen.load_speed_rad_per_s);
            (stops.stiffness_nm_per_rad * compression_rad + stops.damping_nms_per_rad * rate).max(0.0)
        };
        let mut contact = self.contact;
        if contact.compression_rad == 0.0 {
            // The torque at first touch is the damper's at the speed before it.
            contact.torque_nm = torque(0.0, self.last.as_ref().unwrap_or(seen));
        }
        let torque_nm = torque(compression_rad, seen);
        contact.work_j += 0.5 * (contact.torque_nm + torque_nm) * (compression_rad - contact.compression_rad);
        (contact.compression_rad, contact.torque_nm) = (compression_rad, torque_nm);
        if contact.deepest_rad < compression_rad {
            contact.deepest_rad = compression_rad;
            self.stop_energy_j = self.stop_energy_j.max(contact.work_j);
        }
        self.contact = contact;
    }

    /// Smallest and largest load angle so far, in rad from the origin; both 0 before the first tick.
    #[must_use]
    pub fn reached_rad(&self) -> [f64; 2] {
        if self.ticks == 0 { [0.0; 2] } else { [self.low_rad, self.high_rad] }
    }

    /// How far the load went beyond its window so far, in rad; 0 within.
    #[must_use]
    pub fn overrun_rad(&self) -> f64 {
        let [low, high] = self.reached_rad();
        if self.ticks == 0 {
            return 0.0;
        }
        (self.rules.window_low_rad - low).max(high - self.rules.window_high_rad).max(0.0)
    }

    /// Sum of the load's movement so far, in rad.
    #[must_use]
    pub fn path_rad(&self) -> f64 {
        self.path_rad
    }

    /// How far above the highest speed the motor went, in percent of it; 0 within.
    #[must_use]
    pub fn overspeed_percent(&self) -> f64 {
        let allowed = self.rules.max_speed_rad_per_s;
        (100.0 * (self.fastest_rad_per_s - allowed) / allowed).max(0.0)
    }

    /// Strikes so far.
    #[must_use]
    pub fn strikes(&self) -> u32 {
        self.strikes
    }

    /// The answer of a conduct measure, and of the effort measures over everything seen; other measures are
    /// `not defined`.
    #[must_use]
    pub fn answer(&self, measure: Measure) -> Answer {
        let [low, high] = self.reached_rad();
        let ticks = self.ticks.max(1) as f64;
        let percent_of_rated = |torque_nm: f64| 100.0 * torque_nm / self.rules.rated_torque_nm;
        Answer::of(match measure {
            Measure::TravelWindow => (high - low) / DEG_RAD,
            Measure::TravelPath => self.path_rad / DEG_RAD,
            Measure::TravelOverrun => self.overrun_rad() / DEG_RAD,
            Measure::StopStrikes => f64::from(self.strikes),
            Measure::StopEnergy => self.stop_energy_j.max(self.unseen_strike_j),
            Measure::Overspeed => self.overspeed_percent(),
            Measure::Faults => f64::from(self.faults),
            Measure::Moves => f64::from(self.moves),
            Measure::TuningTime => self.rules.rate.seconds(self.ticks),
            Measure::SettingsKept => match self.settings_kept {
                Some(kept) => f64::from(u8::from(kept)),
                None => return Answer::Without(NoNumber::NotReached),
            },
            Measure::TorqueRms => percent_of_rated((self.squares_nm2 / ticks).sqrt()),
            Measure::TorquePeak => percent_of_rated(self.peak_nm),
            Measure::TimeAtLimit => 100.0 * self.ticks_at_limit as f64 / ticks,
            _ => return Answer::Without(NoNumber::NotDefined),
        })
    }
}
