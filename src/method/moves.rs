//! Moves an axis inside its window: enables, holds, goes to places, turns at a speed, and watches over every exchange.
//!
//! Nothing here trusts that a move goes as planned. After each exchange position, speed, path, time and trips are
//! looked at, and whatever goes too far ends in a quick stop and a stated reason. Motor angles in rad inside.
//! What it does not: choose gains (`identify.rs`, `filter_design.rs`). Start reading at [`Mover::run`].

use crate::base::signal::{Feedback, Request};
use crate::method::axis::{Axis, Facts, Stop};
use crate::method::mechanics::Mechanics;
use crate::method::plate::Plate;

/// Controlwords of IEC 61800-7-201 (bits switch on, enable voltage, quick stop, enable operation).
const SHUTDOWN: u16 = 0x06;
const SWITCH_ON: u16 = 0x07;
const ENABLE_OPERATION: u16 = 0x0F;
const QUICK_STOP: u16 = 0x02;
const FAULT_RESET: u16 = 0x80;
/// Statusword bits that tell the states apart, and their pattern in operation enabled (IEC 61800-7-201).
const STATE_MASK: u16 = 0x6F;
const OPERATION_ENABLED: u16 = 0x27;
/// Statusword bit by which the bench says that a holding brake is not open yet.
const BRAKE_NOT_OPEN: u16 = 0x8000;

/// Share of the window kept free at each end: a move that stops late still has somewhere to go.
const MARGIN_OF_WINDOW: f64 = 0.05;
/// And no more than half a turn of the motor: on long axes a share of the travel would be wasted.
const MARGIN_MAX_RAD: f64 = std::f64::consts::PI;
/// Share of highest speed, path and time that a method lets itself use.
const SHARE_OF_BUDGET: f64 = 0.9;
/// How long a state change may take: well beyond any drive that means to follow.
const STATE_CHANGE_S: f64 = 0.5;
/// Position loop of a move, in 1/s: a quarter second to close in is slower than any sensible speed loop, so that the
/// two do not swing against each other. With mechanics known the speed follows at once, and half the time will do.
const POSITION_GAIN_PER_S: f64 = 4.0;
const POSITION_GAIN_KNOWN_PER_S: f64 = 8.0;

/// Motor angles in rad, lower first.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Room {
    /// Lower end.
    pub low_rad: f64,
    /// Upper end.
    pub high_rad: f64,
}

impl Room {
    /// Between two angles in either order.
    fn between(a_rad: f64, b_rad: f64) -> Self {
        Self { low_rad: a_rad.min(b_rad), high_rad: a_rad.max(b_rad) }
    }

    /// Its width in rad.
    #[must_use]
    pub fn width_rad(&self) -> f64 {
        self.high_rad - self.low_rad
    }

    /// The nearest angle inside.
    #[must_use]
    pub fn nearest(&self, angle_rad: f64) -> f64 {
        angle_rad.max(self.low_rad).min(self.high_rad)
    }

    /// The room less this much at each end, in rad.
    #[must_use]
    pub fn inset(&self, by_rad: f64) -> Self {
        Self { low_rad: self.low_rad + by_rad, high_rad: self.high_rad - by_rad }
    }

    fn contains(&self, angle_rad: f64) -> bool {
        self.low_rad <= angle_rad && angle_rad <= self.high_rad
    }
}

/// What an enabled axis is asked for in one tick. What is known of its mechanics is added on the way.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Wish {
    /// Motor speed, in rad/s.
    pub speed_rad_per_s: f64,
    /// How fast that speed changes, in rad/s²; only for the torque that this needs.
    pub slope_rad_per_s2: f64,
    /// Torque on top, in Nm.
    pub torque_nm: f64,
}

/// How fast a move may be.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Pace {
    /// Motor speed between the ramps, in rad/s.
    pub speed_rad_per_s: f64,
    /// Slope of the ramps, in rad/s².
    pub slope_rad_per_s2: f64,
}

/// An axis in careful hands.
pub struct Mover<'a, A: Axis> {
    /// The axis itself, for settings and log.
    pub axis: &'a mut A,
    /// What the bench said.
    pub facts: Facts,
    /// What the drive shows.
    pub plate: Plate,
    /// Where moves may be planned, in motor angle.
    pub room: Room,
    /// Torque that the axis needed to stand where it last stood, in Nm.
    pub holding_nm: f64,
    /// What moves are helped with once it is known; before, `holding_nm` is all.
    pub known: Option<Mechanics>,
    fence: Room,
    enabled: bool,
    last: Feedback,
    path_rad: f64,
    ticks: u64,
    inbox: Vec<Feedback>,
}

impl<'a, A: Axis> Mover<'a, A> {
    /// Reads the plate and the pose; the axis stays off.
    pub fn new(axis: &'a mut A) -> Result<Self, Stop> {
        let facts = axis.facts();
        let plate = Plate::read(axis)?;
        let mut inbox = Vec::with_capacity(facts.stride);
        axis.exchange(&vec![Request::default(); facts.stride], &mut inbox)?;
        let last = *inbox.last().ok_or_else(|| Stop::because("the first feedback was empty"))?;
        let start_rad = plate.motor_angle_rad(last.counts);
        let window = window_rad(axis, &facts, &plate, start_rad)?;
        let margin_rad = (MARGIN_OF_WINDOW * window.width_rad()).min(MARGIN_MAX_RAD);
        let fence = window.inset(margin_rad / 2.0);
        if !fence.contains(start_rad) {
            let at_deg = plate.load_deg(start_rad);
            return Err(Stop::because(format!(
                "the axis stands at {at_deg:.1} degrees, at the edge of its window or beyond; move it by hand first"
            )));
        }
        let inner = window.inset(margin_rad);
        let room = Room { low_rad: inner.low_rad.min(start_rad), high_rad: inner.high_rad.max(start_rad) };
        let ticks = facts.stride as u64;
        Ok(Self {
            axis,
            facts,
            plate,
            room,
            holding_nm: 0.0,
            known: None,
            fence,
            enabled: false,
            last,
            path_rad: 0.0,
            ticks,
            inbox,
        })
    }

    /// Where the motor is now, in rad.
    #[must_use]
    pub fn angle_rad(&self) -> f64 {
        self.plate.motor_angle_rad(self.last.counts)
    }

    /// Simulated time used so far, in s.
    #[must_use]
    pub fn time_s(&self) -> f64 {
        self.facts.rate.seconds(self.ticks)
    }

    /// Path of the load so far, in degrees.
    #[must_use]
    pub fn path_deg(&self) -> f64 {
        self.plate.load_deg(self.path_rad).abs()
    }

    /// Ticks in a time, at least one exchange.
    #[must_use]
    pub fn ticks_in(&self, seconds: f64) -> usize {
        (self.facts.rate.nearest_tick(seconds) as usize).max(self.facts.stride)
    }

    /// Runs an enabled axis in whole exchanges until at least `ticks` ticks are over, the i-th as `wish(i)` says. Gives
    /// every feedback, tick by tick.
    pub fn run(&mut self, ticks: usize, wish: impl Fn(usize) -> Wish) -> Result<Vec<Feedback>, Stop> {
        self.exchanges(ticks, |mover, tick| mover.request(wish(tick)))
    }

    /// Waits with the axis switched off.
    pub fn wait(&mut self, seconds: f64) -> Result<Vec<Feedback>, Stop> {
        let idle = Request { controlword: SHUTDOWN, ..Request::default() };
        self.exchanges(self.ticks_in(seconds), |_, _| idle)
    }

    fn exchanges(&mut self, ticks: usize, ask: impl Fn(&Self, usize) -> Request) -> Result<Vec<Feedback>, Stop> {
        let stride = self.facts.stride;
        let mut seen = Vec::with_capacity(ticks + stride);
        while seen.len() < ticks {
            let first = seen.len();
            let requests: Vec<Request> = (first..first + stride).map(|tick| ask(self, tick)).collect();
            self.exchange(&requests)?;
            seen.extend_from_slice(&self.inbox);
            self.watch()?;
        }
        Ok(seen)
    }

    /// One exchange, with path and time kept.
    fn exchange(&mut self, requests: &[Request]) -> Result<(), Stop> {
        self.axis.exchange(requests, &mut self.inbox)?;
        let newest = *self.inbox.last().ok_or_else(|| Stop::because("a feedback came without samples"))?;
        self.path_rad += ((newest.counts - self.last.counts) as f64 * self.plate.rad_per_count()).abs();
        self.last = newest;
        self.ticks += self.inbox.len() as u64;
        Ok(())
    }

    /// Looks at what the last exchange brought; stops the axis and the method when it went too far.
    fn watch(&mut self) -> Result<(), Stop> {
        match self.complaint() {
            None => Ok(()),
            Some(reason) => {
                self.emergency()?;
                Err(Stop { reason })
            }
        }
    }

    fn complaint(&self) -> Option<String> {
        let angle_rad = self.angle_rad();
        let speed_rad_per_s = self.mean_speed_rad_per_s();
        let at_deg = self.plate.load_deg(angle_rad);
        if self.last.trip != 0 {
            return Some(format!("the drive tripped (number {}) at {at_deg:.1} degrees", self.last.trip));
        }
        if self.enabled && self.last.statusword & STATE_MASK != OPERATION_ENABLED {
            return Some(format!(
                "the drive left operation enabled by itself (statusword {:#06x})",
                self.last.statusword
            ));
        }
        if !self.fence.contains(angle_rad) {
            return Some(format!("the axis came to {at_deg:.1} degrees, too near the edge of its window"));
        }
        if SHARE_OF_BUDGET * self.facts.max_speed_rad_per_s < speed_rad_per_s.abs() {
            return Some(format!("the motor ran at {speed_rad_per_s:.0} rad/s, too near its highest speed"));
        }
        if SHARE_OF_BUDGET * self.facts.path_deg < self.path_deg() {
            return Some(format!("{:.0} degrees of path are used up", self.path_deg()));
        }
        (SHARE_OF_BUDGET * self.facts.time_s < self.time_s())
            .then(|| format!("{:.0} s of tuning time are used up", self.time_s()))
    }

    /// Mean speed of the last exchange from counts, which sees less noise than a single tick.
    fn mean_speed_rad_per_s(&self) -> f64 {
        let (Some(first), Some(last)) = (self.inbox.first(), self.inbox.last()) else { return 0.0 };
        let ticks = (last.tick - first.tick) as f64;
        if ticks < 1.0 {
            return last.measured_speed_rad_per_s;
        }
        (last.counts - first.counts) as f64 * self.plate.rad_per_count() * f64::from(self.facts.rate.hz) / ticks
    }

    /// Quick stop, then off, without looking at anything but the clock.
    fn emergency(&mut self) -> Result<(), Stop> {
        self.enabled = false;
        let stride = self.facts.stride;
        for controlword in [QUICK_STOP, SHUTDOWN] {
            for _ in 0..self.ticks_in(STATE_CHANGE_S).div_ceil(stride) {
                self.exchange(&vec![Request { controlword, ..Request::default() }; stride])?;
            }
        }
        Ok(())
    }

    /// Leaves the axis as a method must that gives up: stopped and off.
    pub fn leave(&mut self) -> Result<(), Stop> {
        self.emergency()
    }

    /// The request of a wish: the speed, and the torque that is known to be needed for it.
    fn request(&self, wish: Wish) -> Request {
        let needed_nm = self.known.map_or(self.holding_nm, |known| {
            let load_rad = self.angle_rad() / self.plate.gear_ratio;
            known.weight_nm(load_rad) + known.motion_nm(wish.speed_rad_per_s, wish.slope_rad_per_s2)
        });
        Request {
            controlword: ENABLE_OPERATION,
            speed_rad_per_s: wish.speed_rad_per_s,
            speed_offset_rad_per_s: 0.0,
            torque_offset_nm: needed_nm + wish.torque_nm,
            ..Request::default()
        }
    }

    /// Off to operation enabled, at setpoint 0, a brake open.
    pub fn enable(&mut self) -> Result<(), Stop> {
        if self.last.statusword & 0x08 != 0 {
            self.walk(FAULT_RESET, |status| status & 0x08 == 0)?;
        }
        self.walk(SHUTDOWN, |status| status & STATE_MASK == 0x21)?;
        self.walk(SWITCH_ON, |status| status & STATE_MASK == 0x23)?;
        self.walk(ENABLE_OPERATION, |status| status & (STATE_MASK | BRAKE_NOT_OPEN) == OPERATION_ENABLED)?;
        self.enabled = true;
        Ok(())
    }

    /// Torque off. Bring the axis to rest before.
    pub fn disable(&mut self) -> Result<(), Stop> {
        self.enabled = false;
        self.walk(SHUTDOWN, |status| status & STATE_MASK == 0x21)
    }

    /// Gives a controlword until the drive's state is as wanted.
    fn walk(&mut self, controlword: u16, arrived: impl Fn(u16) -> bool) -> Result<(), Stop> {
        let enabling = controlword == ENABLE_OPERATION;
        let request =
            if enabling { self.request(Wish::default()) } else { Request { controlword, ..Request::default() } };
        for _ in 0..self.ticks_in(STATE_CHANGE_S).div_ceil(self.facts.stride) {
            self.exchange(&vec![request; self.facts.stride])?;
            self.watch()?;
            if arrived(self.last.statusword) {
                return Ok(());
            }
        }
        Err(Stop::because(format!(
            "the drive does not follow controlword {controlword:#04x}; its statusword stays {:#06x}",
            self.last.statusword
        )))
    }

    /// Stands still for a time and takes what the loop needed as the torque to hold with from now on.
    pub fn hold(&mut self, seconds: f64) -> Result<Vec<Feedback>, Stop> {
        let seen = self.run(self.ticks_in(seconds), |_| Wish::default())?;
        let half = &seen[seen.len() / 2..];
        self.holding_nm = half.iter().map(|tick| tick.torque_command_nm).sum::<f64>() / half.len() as f64;
        Ok(seen)
    }

    /// Comes to rest along a ramp, and holds there a moment.
    pub fn rest(&mut self, pace: Pace) -> Result<(), Stop> {
        let here_rad = self.angle_rad();
        self.go(here_rad, pace).map(drop)?;
        self.hold(0.15).map(drop)
    }

    /// Goes to an angle (or the nearest one in the room) and gives the feedback of the way. The setpoint rises along
    /// the ramp and closes in with the position loop, so that it does not run past its goal; arrived is within a
    /// thirtieth of the way.
    pub fn go(&mut self, goal_rad: f64, pace: Pace) -> Result<Vec<Feedback>, Stop> {
        let goal_rad = self.room.nearest(goal_rad);
        let way_rad = (goal_rad - self.angle_rad()).abs();
        let near_rad = 0.03 * way_rad.max(1.0);
        let cruise_s = way_rad / pace.speed_rad_per_s + pace.speed_rad_per_s / pace.slope_rad_per_s2;
        let longest = self.ticks_in(cruise_s + 12.0 / POSITION_GAIN_PER_S);
        let mut seen = Vec::new();
        let mut speed_rad_per_s = self.mean_speed_rad_per_s();
        while seen.len() < longest {
            let wish = self.approach(goal_rad, pace, speed_rad_per_s);
            speed_rad_per_s = wish.speed_rad_per_s;
            seen.extend(self.run(self.facts.stride, |_| wish)?);
            let left_rad = (goal_rad - self.angle_rad()).abs();
            if left_rad < near_rad && self.mean_speed_rad_per_s().abs() < 0.1 * pace.speed_rad_per_s {
                break;
            }
        }
        Ok(seen)
    }

    /// What to ask for in one exchange on the way to a goal.
    fn approach(&self, goal_rad: f64, pace: Pace, before_rad_per_s: f64) -> Wish {
        let period_s = self.facts.rate.seconds(self.facts.stride as u64);
        let left_rad = goal_rad - self.angle_rad();
        let gain_per_s = if self.known.is_some() { POSITION_GAIN_KNOWN_PER_S } else { POSITION_GAIN_PER_S };
        // The speed from which half the slope stops the axis at its goal; the other half is for what is not known.
        let braking_rad_per_s = (pace.slope_rad_per_s2 * left_rad.abs()).sqrt();
        let fastest_rad_per_s = pace.speed_rad_per_s.min(braking_rad_per_s);
        let wanted = (gain_per_s * left_rad).clamp(-fastest_rad_per_s, fastest_rad_per_s);
        let most = pace.slope_rad_per_s2 * period_s;
        let change = (wanted - before_rad_per_s).clamp(-most, most);
        Wish { speed_rad_per_s: before_rad_per_s + change, slope_rad_per_s2: change / period_s, torque_nm: 0.0 }
    }
}

/// The window of the facts, cut down to the travel and to the drive's own soft limits, in motor angle.
fn window_rad(axis: &mut impl Axis, facts: &Facts, plate: &Plate, start_rad: f64) -> Result<Room, Stop> {
    let [low, high] = facts.window_deg;
    let Some([travel_low, travel_high]) = facts.travel_deg else {
        return Ok(Room::between(start_rad + plate.motor_rad(low), start_rad + plate.motor_rad(high)));
    };
    let low = low.max(travel_low).max(axis.read("travel_min_deg")?);
    let high = high.min(travel_high).min(axis.read("travel_max_deg")?);
    if high <= low {
        return Err(Stop::because(format!("window and travel leave nothing to move in ({low} to {high} degrees)")));
    }
    Ok(Room::between(plate.motor_rad(low), plate.motor_rad(high)))
}
