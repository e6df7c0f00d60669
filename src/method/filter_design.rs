//! Chooses gain, reset time, low-pass and notch for a measured axis, so that they also suit the axis it may become.
//!
//! Every candidate's loop is computed from the measured response and from the fitted axis in several conditions: softer,
//! stiffer, with a heavier load, with its gap open. The largest gain that keeps all of them calm wins, less a step back.
//! What it does not: run anything. Start reading at [`design`], then at the constants, which hold the whole judgement.

use std::f64::consts::PI;

use num_complex::Complex64;

use crate::base::real;
use crate::base::time::TickRate;
use crate::method::axis::Stop;
use crate::method::controller::{self, Notch, Settings, Worth};
use crate::method::sweep::Line;
use crate::method::two_mass::TwoMass;

/// Ms allowed on the axis as it is: 1.8 leaves a distance of 0.56 to −1, and at least 32° and 7 dB. Between 1.4 and 2 is
/// what textbooks advise (Åström and Hägglund, Advanced PID Control, 2006).
const SENSITIVITY_PEAK: f64 = 1.8;
/// Ms allowed on the axis as it may become: a little beyond 2, since the change itself is a guess on the far side.
const SENSITIVITY_PEAK_CHANGED: f64 = 2.1;
/// Phase margin wanted on the axis as it is, and as it may become: what a loop of these Ms has when nothing is near −1
/// elsewhere.
const PHASE_MARGIN_DEG: f64 = 45.0;
const PHASE_MARGIN_CHANGED_DEG: f64 = 40.0;
/// Torque noise allowed, rms above 20 Hz in percent of rated torque: heat goes with its square (0.02 % of the rated
/// heat) and it is barely heard.
pub const NOISE_PERCENT: f64 = 1.5;
/// Corner of that noise: slower torque is work, not noise.
pub const NOISE_FROM_HZ: f64 = 20.0;
/// How the axis may change: a spring half as stiff (a resonance 30 % lower: wear, another belt) or a third stiffer, a
/// load of 1.6 times the inertia, and no load at all while a gap is open.
const SOFTER: f64 = 0.5;
const STIFFER: f64 = 1.3;
const HEAVIER: f64 = 1.6;
/// While a gap opens and closes the spring acts for a part of the time only; to a loop it looks softer and less damped by
/// that part, down to none (the describing function of play). Passing through, the loop must not swing by itself: Ms 3.
const PARTS_OF_SPRING: [f64; 3] = [0.3, 0.1, 0.03];
const SENSITIVITY_PEAK_PASSING: f64 = 6.0;
const PHASE_MARGIN_PASSING_DEG: f64 = 10.0;
/// Damping of a spring that is counted on, however much was measured: a gap or a coarse sweep shows more than there is,
/// and belts, couplings and gears have 2 to 5 %.
const DAMPING_RATIO_MAX: f64 = 0.03;
/// Reset time in parts of 1/crossover of the rigid axis: at 4 the rigid loop is critically damped; 4.5 keeps nearly that
/// with an eighth more inertia.
const RESET_PER_CROSSOVER: f64 = 4.5;
/// And at least so many periods in which the load swings on a held motor: the integrator then costs a loop 6° there.
const RESET_PER_SWING: f64 = 1.6;
/// A notch is one thing more that can be wrong in a year; it must earn a quarter more gain.
const NOTCH_MUST_EARN: f64 = 1.25;
/// From the largest gain that would do, a careful person steps back by this factor and takes the calmest filters there.
const STEP_BACK: f64 = 0.95;
/// Candidates of a notch in parts of the measured resonance: its centre at or below it, since axes get softer and heavier
/// rather than the other way, its width about its centre, which is what still covers a changed axis.
const NOTCH_CENTRES: [f64; 4] = [0.85, 0.9, 0.95, 1.0];
const NOTCH_WIDTHS: [f64; 2] = [0.6, 1.0];
const NOTCH_DEPTHS_DB: [f64; 2] = [12.0, 20.0];
/// Low-passes tried: from 0.3 of the tick rate down in steps of a fifth.
const LOWPASS_HIGHEST: f64 = 0.3;
const LOWPASS_STEP: f64 = 0.8;
const LOWPASS_COUNT: u32 = 13;
/// Gains are tried from a rigid crossover slower than any servo to one faster than any, in steps of 15 %.
const SLOWEST_RAD_PER_S: f64 = 5.0;
const FASTEST_RAD_PER_S: f64 = 3000.0;
const GAIN_STEP: f64 = 1.15;
/// A line counts where its deviation is below this share of it: elsewhere the fit knows better than the measurement.
const CLEAR_LINE: f64 = 0.05;

/// Cases that a design's worst is taken over: the axis and what may become of it for good.
const CHANGES: usize = 5;

/// What the design stands on.
#[derive(Clone, Debug)]
pub struct Given<'a> {
    /// The measured response.
    pub lines: &'a [Line],
    /// Its fit.
    pub axis: TwoMass,
    /// Scatter of the sensor's angle in rad of the motor.
    pub scatter_rad: f64,
    /// Rated torque.
    pub rated_torque_nm: f64,
    /// Ticks per second.
    pub rate: TickRate,
}

/// Settings and what is expected of them.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Design {
    /// The settings.
    pub settings: Settings,
    /// The loop with the axis as it was measured.
    pub nominal: Worth,
    /// The worst of every loop looked at: Ms and phase margin, not necessarily of the same one.
    pub worst: Worth,
    /// Torque noise at standstill, rms above 20 Hz in percent of rated torque.
    pub noise_percent: f64,
}

/// An axis in one condition over a grid of frequencies, with the bounds that it must hold.
struct Case {
    plant: Vec<Complex64>,
    sensitivity_peak: f64,
    phase_margin_deg: f64,
}

/// The bench of the design: frequencies and everything that does not depend on a candidate.
struct Table<'a> {
    given: &'a Given<'a>,
    rad_per_s: Vec<f64>,
    integral: Vec<Complex64>,
    cases: Vec<Case>,
    lines: Vec<Line>,
    line_integral: Vec<Complex64>,
}

/// A low-pass and a notch, and their response over the table's grids.
struct Filters {
    lowpass_hz: f64,
    notch: Option<Notch>,
    grid: Vec<Complex64>,
    lines: Vec<Complex64>,
}

/// The settings for an axis; stops when no gain holds the bounds.
pub fn design(given: &Given<'_>) -> Result<Design, Stop> {
    let table = Table::new(given);
    let plain = best(&table, &[None]);
    let notched = best(&table, &notches(given));
    match (plain, notched) {
        (Some(plain), Some(notched)) => {
            let earned = NOTCH_MUST_EARN * plain.settings.gain_nms_per_rad <= notched.settings.gain_nms_per_rad;
            Ok(if earned { notched } else { plain })
        }
        (Some(only), None) | (None, Some(only)) => Ok(only),
        (None, None) => Err(Stop::because("no gain keeps this axis calm, with a notch or without")),
    }
}

/// The same settings with another gain; the reset time follows.
#[must_use]
pub fn with_gain(given: &Given<'_>, design: &Design, gain_nms_per_rad: f64) -> Design {
    let table = Table::new(given);
    let filters = table.filters(design.settings.lowpass_hz, design.settings.notch);
    table.judge(&filters, gain_nms_per_rad)
}

/// The fitted axis with no more damping than can be counted on.
fn trusted(axis: &TwoMass) -> TwoMass {
    let damping_nms_per_rad = axis.damping_nms_per_rad * (DAMPING_RATIO_MAX / axis.damping_ratio()).min(1.0);
    TwoMass { damping_nms_per_rad, ..*axis }
}

/// Reset time for a gain: slow against the rigid loop and against the swinging load.
fn reset_time_s(axis: &TwoMass, gain_nms_per_rad: f64) -> f64 {
    let by_loop_s = RESET_PER_CROSSOVER * axis.inertia_kgm2() / gain_nms_per_rad;
    by_loop_s.max(RESET_PER_SWING / axis.antiresonance_hz())
}

fn notches(given: &Given<'_>) -> Vec<Option<Notch>> {
    let resonance_hz = given.axis.resonance_hz();
    let mut notches = Vec::new();
    // Beyond 0.4 of the tick rate a notch would be bent by its own discretisation.
    if resonance_hz < 0.4 * f64::from(given.rate.hz) {
        for centre in NOTCH_CENTRES {
            for width in NOTCH_WIDTHS {
                for depth_db in NOTCH_DEPTHS_DB {
                    let hz = centre * resonance_hz;
                    notches.push(Some(Notch { hz, width_hz: width * hz, depth_db }));
                }
            }
        }
    }
    notches
}

/// The largest gain of all these filters, a step back from it, and the calmest filters there.
fn best(table: &Table<'_>, notches: &[Option<Notch>]) -> Option<Design> {
    let mut tops: Vec<(f64, Filters)> = Vec::new();
    for notch in notches {
        for step in 0..LOWPASS_COUNT {
            let highest_hz = LOWPASS_HIGHEST * f64::from(table.given.rate.hz);
            let lowpass_hz = if step == 0 { 0.0 } else { highest_hz * real::pow(LOWPASS_STEP, f64::from(step - 1)) };
            let filters = table.filters(lowpass_hz.round(), *notch);
            if let Some(top) = table.top_gain(&filters) {
                tops.push((top, filters));
            }
        }
    }
    let gain = STEP_BACK * tops.iter().map(|(top, _)| *top).reduce(f64::max)?;
    let able = tops.iter().filter(|(top, _)| gain <= *top).map(|(_, filters)| table.judge(filters, gain));
    able.min_by(|a, b| strain(a).total_cmp(&strain(b)))
}

/// How near a design is to the nearest of its bounds, 1 at the bound.
fn strain(design: &Design) -> f64 {
    let worst = (design.worst.sensitivity_peak - 1.0) / (SENSITIVITY_PEAK_CHANGED - 1.0);
    let nominal = (design.nominal.sensitivity_peak - 1.0) / (SENSITIVITY_PEAK - 1.0);
    let margin = PHASE_MARGIN_CHANGED_DEG / design.worst.phase_margin_deg.max(1.0);
    worst.max(nominal).max(margin).max(design.noise_percent / NOISE_PERCENT)
}

impl<'a> Table<'a> {
    fn new(given: &'a Given<'a>) -> Self {
        let axis = trusted(&given.axis);
        let softer = TwoMass { stiffness_nm_per_rad: SOFTER * axis.stiffness_nm_per_rad, ..axis };
        let stiffer = TwoMass { stiffness_nm_per_rad: STIFFER * axis.stiffness_nm_per_rad, ..axis };
        let heavier = TwoMass { load_inertia_kgm2: HEAVIER * axis.load_inertia_kgm2, ..axis };
        let passing = PARTS_OF_SPRING.map(|part| TwoMass {
            stiffness_nm_per_rad: part * axis.stiffness_nm_per_rad,
            damping_nms_per_rad: part * axis.damping_nms_per_rad,
            ..axis
        });
        let springs = [axis, softer, stiffer, heavier, passing[0], passing[1], passing[2]];
        let rad_per_s = grid(&springs, given.rate);
        let response = |axis: &TwoMass| rad_per_s.iter().map(|&at| axis.response(at, given.rate)).collect();
        let case = |axis: &TwoMass, sensitivity_peak, phase_margin_deg| Case {
            plant: response(axis),
            sensitivity_peak,
            phase_margin_deg,
        };
        let mut cases = vec![case(&axis, SENSITIVITY_PEAK, PHASE_MARGIN_DEG)];
        for changed in [softer, stiffer, heavier, axis.motor_alone()] {
            cases.push(case(&changed, SENSITIVITY_PEAK_CHANGED, PHASE_MARGIN_CHANGED_DEG));
        }
        cases.extend(passing.iter().map(|axis| case(axis, SENSITIVITY_PEAK_PASSING, PHASE_MARGIN_PASSING_DEG)));
        let clear = |line: &&Line| line.deviation * line.deviation < CLEAR_LINE * CLEAR_LINE * line.value.norm_sqr();
        let lines: Vec<Line> = given.lines.iter().filter(clear).copied().collect();
        let integral = rad_per_s.iter().map(|&at| controller::integral(at, given.rate)).collect();
        let line_integral = lines.iter().map(|line| controller::integral(line.rad_per_s, given.rate)).collect();
        Self { given, rad_per_s, integral, cases, lines, line_integral }
    }

    fn filters(&self, lowpass_hz: f64, notch: Option<Notch>) -> Filters {
        let at = |rad_per_s| controller::filters(lowpass_hz, notch, rad_per_s, self.given.rate);
        let grid = self.rad_per_s.iter().map(|&rad_per_s| at(rad_per_s)).collect();
        let lines = self.lines.iter().map(|line| at(line.rad_per_s)).collect();
        Filters { lowpass_hz, notch, grid, lines }
    }

    /// The largest gain, coming from below, up to which every bound holds: up in steps to the first that fails after one
    /// that held, then by halves to within half a per cent.
    fn top_gain(&self, filters: &Filters) -> Option<f64> {
        let inertia_kgm2 = self.given.axis.inertia_kgm2();
        let mut held: Option<f64> = None;
        let mut gain = SLOWEST_RAD_PER_S * inertia_kgm2;
        while gain < FASTEST_RAD_PER_S * inertia_kgm2 {
            match (self.holds(filters, gain), held) {
                (true, _) => held = Some(gain),
                (false, Some(_)) => break,
                (false, None) => {}
            }
            gain *= GAIN_STEP;
        }
        let mut low = held?;
        let mut high = low * GAIN_STEP;
        for _ in 0..5 {
            let middle = (low * high).sqrt();
            if self.holds(filters, middle) { low = middle } else { high = middle }
        }
        Some(low)
    }

    fn holds(&self, filters: &Filters, gain_nms_per_rad: f64) -> bool {
        let reset_time_s = reset_time_s(&self.given.axis, gain_nms_per_rad);
        if NOISE_PERCENT < self.noise_percent(filters, gain_nms_per_rad, reset_time_s) {
            return false;
        }
        let within = |worth: Worth, case: &Case| {
            worth.sensitivity_peak <= case.sensitivity_peak && case.phase_margin_deg <= worth.phase_margin_deg
        };
        let measured = self.judge_lines(filters, gain_nms_per_rad, reset_time_s);
        within(measured, &self.cases[0])
            && self.cases.iter().all(|case| {
                let worth = self.judge_case(case, filters, gain_nms_per_rad, reset_time_s);
                worth.stable && within(worth, case)
            })
    }

    fn judge_case(&self, case: &Case, filters: &Filters, gain_nms_per_rad: f64, reset_time_s: f64) -> Worth {
        let open = case.plant.iter().zip(&filters.grid).zip(&self.integral);
        controller::judge(
            open.map(|((plant, filter), sum)| plant * filter * gain_nms_per_rad * (1.0 + sum / reset_time_s)),
        )
    }

    /// The measured response itself, where it is clear; it does not reach far enough to count for stability.
    fn judge_lines(&self, filters: &Filters, gain_nms_per_rad: f64, reset_time_s: f64) -> Worth {
        let open = self.lines.iter().zip(&filters.lines).zip(&self.line_integral);
        controller::judge(
            open.map(|((line, filter), sum)| line.value * filter * gain_nms_per_rad * (1.0 + sum / reset_time_s)),
        )
    }

    fn judge(&self, filters: &Filters, gain_nms_per_rad: f64) -> Design {
        let reset_time_s = reset_time_s(&self.given.axis, gain_nms_per_rad);
        let worths: Vec<Worth> =
            self.cases.iter().map(|case| self.judge_case(case, filters, gain_nms_per_rad, reset_time_s)).collect();
        let measured = self.judge_lines(filters, gain_nms_per_rad, reset_time_s);
        let worse = |a: Worth, b: Worth| Worth {
            sensitivity_peak: a.sensitivity_peak.max(b.sensitivity_peak),
            phase_margin_deg: a.phase_margin_deg.min(b.phase_margin_deg),
            stable: a.stable && b.stable,
        };
        let nominal = worse(worths[0], Worth { stable: true, ..measured });
        Design {
            settings: Settings { gain_nms_per_rad, reset_time_s, lowpass_hz: filters.lowpass_hz, notch: filters.notch },
            nominal,
            worst: worths[..CHANGES].iter().copied().fold(nominal, worse),
            noise_percent: self.noise_percent(filters, gain_nms_per_rad, reset_time_s),
        }
    }

    /// Torque noise in percent of rated torque. The angle's scatter is white over half the tick rate; speed is its
    /// difference over a tick, and the loop sends it round: u = −C/(1 + PC) · (1 − z⁻¹)/T · n.
    fn noise_percent(&self, filters: &Filters, gain_nms_per_rad: f64, reset_time_s: f64) -> f64 {
        let rate = self.given.rate;
        let mut square = 0.0;
        let mut before: Option<(f64, f64)> = None;
        for (index, &rad_per_s) in self.rad_per_s.iter().enumerate() {
            if rad_per_s < 2.0 * PI * NOISE_FROM_HZ {
                continue;
            }
            let controller = filters.grid[index] * gain_nms_per_rad * (1.0 + self.integral[index] / reset_time_s);
            let slope = (1.0 - controller::back_one_tick(rad_per_s, rate)) / rate.period_s();
            let density = (controller * slope / (1.0 + controller * self.cases[0].plant[index])).norm_sqr();
            if let Some((last_rad_per_s, last_density)) = before {
                square += (density + last_density) / 2.0 * (rad_per_s - last_rad_per_s);
            }
            before = Some((rad_per_s, density));
        }
        let share = square / (PI / rate.period_s());
        100.0 * self.given.scatter_rad * share.sqrt() / self.given.rated_torque_nm
    }
}

/// Frequencies from 0.5 Hz to half the tick rate: even in their logarithm, and close together round every resonance and
/// antiresonance, where a loop turns fastest.
fn grid(axes: &[TwoMass], rate: TickRate) -> Vec<f64> {
    const EVEN: i32 = 240;
    let (lowest, highest) = (PI, 0.499 * 2.0 * PI * f64::from(rate.hz));
    let mut grid: Vec<f64> =
        (0..=EVEN).map(|step| lowest * real::pow(highest / lowest, f64::from(step) / f64::from(EVEN))).collect();
    for axis in axes {
        for hz in [axis.resonance_hz(), axis.antiresonance_hz()] {
            let width = axis.damping_ratio().clamp(0.003, 0.1);
            grid.extend((-10..=10).map(|step| 2.0 * PI * hz * (1.0 + 0.4 * width * f64::from(step))));
        }
    }
    grid.retain(|rad_per_s| lowest <= *rad_per_s && *rad_per_s <= highest);
    grid.sort_by(f64::total_cmp);
    grid
}
