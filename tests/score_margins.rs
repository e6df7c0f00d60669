//! Margins of continuous loops with dead time and of sampled loops, against formulas and python-control.
//!
//! The loops come in as closures: margins are of any frequency response.

mod outside_rows;

use std::f64::consts::{PI, TAU};

use num_complex::Complex64;
use outside_rows::check;
use plantstand::score::margins::{Loop, Survey};
use plantstand::score::measure::Measure;
use plantstand::score::window::Side;
use plantstand::score::{Answer, NoNumber};

type Inputs<'a> = &'a dyn Fn(&str) -> f64;

/// A loop over w in rad/s with the places where it bends.
struct Described<L: Fn(f64) -> Complex64> {
    open: L,
    high_rad_per_s: f64,
    breakpoints: Vec<f64>,
}

impl<L: Fn(f64) -> Complex64> Described<L> {
    /// Surveys the loop; the load's speed is `load_over_motor` times the motor's.
    fn survey(&self, load_over_motor: &dyn Fn(f64) -> Complex64) -> Survey {
        let closed = |w: f64| match w {
            0.0 => Complex64::new(1.0, 0.0),
            _ => (self.open)(w) / (1.0 + (self.open)(w)),
        };
        let closed_load = |w: f64| if w == 0.0 { closed(w) } else { closed(w) * load_over_motor(w) };
        Survey::of(&Loop {
            open: &self.open,
            closed_motor: &closed,
            closed_load: Some(&closed_load),
            low_rad_per_s: 1e-2,
            high_rad_per_s: self.high_rad_per_s,
            breakpoints_rad_per_s: &self.breakpoints,
            stable: true,
        })
    }

    fn plain(&self) -> Survey {
        self.survey(&|_| Complex64::new(1.0, 0.0))
    }
}

fn jw(w: f64) -> Complex64 {
    Complex64::new(0.0, w)
}

fn turned(angle: f64) -> Complex64 {
    Complex64::new(angle.cos(), angle.sin())
}

fn answer(survey: &Survey, measure: Measure) -> Option<f64> {
    survey.answer(measure, Side::Motor).value()
}

/// Kp (1 + 1/(s Ti)) exp(−s delay) / (J s).
fn rigid_with_delay(input: Inputs) -> Described<impl Fn(f64) -> Complex64> {
    let (j, kp, ti) = (input("inertia_kgm2"), input("speed_gain_nms_per_rad"), input("reset_time_s"));
    let delay_s = input("delay_s");
    let open = move |w: f64| kp * (1.0 + 1.0 / (jw(w) * ti)) * turned(-w * delay_s) / (jw(w) * j);
    Described { open, high_rad_per_s: 8000.0 * PI, breakpoints: vec![1.0 / ti, kp / j] }
}

/// Definitions as in Åström & Murray, Feedback Systems, chapter on frequency domain analysis.
#[test]
fn rigid_loop_with_dead_time() {
    check("margins-rigid-delay", |input| {
        let survey = rigid_with_delay(input).plain();
        let mut found = [Measure::PhaseMargin, Measure::Crossover, Measure::GainMargin, Measure::SensitivityPeak]
            .map(|measure| answer(&survey, measure))
            .to_vec();
        found.push(answer(&survey, Measure::DelayMargin).map(|s| 1e6 * s));
        found.push(answer(&survey, Measure::Bandwidth));
        found
    });
    check("margins-rigid-closed-form", |input| {
        let survey = rigid_with_delay(input).plain();
        vec![answer(&survey, Measure::Crossover).map(|hz| hz * TAU), answer(&survey, Measure::PhaseMargin)]
    });
}

/// The phase never comes back to −180°: no gain margin, which holds a limit.
#[test]
fn rigid_loop_with_lag_has_no_gain_margin() {
    check("margins-rigid-lag", |input| {
        let (j, kp, ti) = (input("inertia_kgm2"), input("speed_gain_nms_per_rad"), input("reset_time_s"));
        let lag_s = input("torque_lag_s");
        let open = |w: f64| kp * (1.0 + 1.0 / (jw(w) * ti)) / (1.0 + jw(w) * lag_s) / (jw(w) * j);
        let breakpoints = vec![1.0 / ti, kp / j, 1.0 / lag_s];
        let survey = Described { open, high_rad_per_s: 1e6, breakpoints }.plain();
        assert_eq!(survey.answer(Measure::GainMargin, Side::Motor), Answer::Without(NoNumber::None));
        [Measure::PhaseMargin, Measure::Crossover, Measure::SensitivityPeak, Measure::Bandwidth]
            .map(|measure| answer(&survey, measure))
            .to_vec()
    });
}

/// Kessler's optima (1955, 1958): phase margin and crossover.
#[test]
fn kesslers_optima() {
    check("symmetrical-optimum-margin", |input| {
        let t = input("small_time_constant_s");
        let open = |w: f64| (1.0 + 4.0 * t * jw(w)) / (8.0 * t * t * jw(w) * jw(w) * (1.0 + t * jw(w)));
        let survey = Described { open, high_rad_per_s: 1e5, breakpoints: vec![1.0 / t, 0.25 / t] }.plain();
        vec![answer(&survey, Measure::PhaseMargin), answer(&survey, Measure::Crossover).map(|hz| hz * TAU)]
    });
    check("modulus-optimum-margin", |input| {
        let t = input("small_time_constant_s");
        let open = |w: f64| 1.0 / (2.0 * t * jw(w) * (1.0 + t * jw(w)));
        let survey = Described { open, high_rad_per_s: 1e5, breakpoints: vec![1.0 / t] }.plain();
        vec![answer(&survey, Measure::PhaseMargin), answer(&survey, Measure::Crossover).map(|hz| hz * TAU)]
    });
}

/// Speed of the motor per torque of two free masses.
fn two_masses(input: Inputs) -> impl Fn(f64) -> Complex64 {
    let (j1, j2) = (input("motor_inertia_kgm2"), input("load_inertia_kgm2"));
    let (k, d) = (input("stiffness_nm_per_rad"), input("damping_nms_per_rad"));
    move |w| {
        let s = jw(w);
        let load = j2 * s * s + d * s + k;
        load / (s * (j1 * j2 * s * s + (j1 + j2) * (d * s + k)))
    }
}

/// PI, torque lag and dead time on two masses, motor speed fed back.
fn two_mass_loop(input: Inputs) -> Described<impl Fn(f64) -> Complex64> {
    let (kp, ti) = (input("speed_gain_nms_per_rad"), input("reset_time_s"));
    let (lag_s, delay_s) = (input("torque_lag_s"), input("delay_s"));
    let plant = two_masses(input);
    let open = move |w: f64| kp * (1.0 + 1.0 / (jw(w) * ti)) / (1.0 + jw(w) * lag_s) * turned(-w * delay_s) * plant(w);
    let (j1, j2, k) = (input("motor_inertia_kgm2"), input("load_inertia_kgm2"), input("stiffness_nm_per_rad"));
    let breakpoints = vec![1.0 / ti, kp / (j1 + j2), (k / j2).sqrt(), (k / j1 + k / j2).sqrt(), 1.0 / lag_s];
    Described { open, high_rad_per_s: 8000.0 * PI, breakpoints }
}

fn check_two_masses(crossovers: &str, delay: &str, sensitivity: &str) {
    check(crossovers, |input| {
        let survey = two_mass_loop(input).plain();
        let pair = |c: &plantstand::score::margins::Crossover| [c.rad_per_s / TAU, c.phase_rad.to_degrees()].map(Some);
        survey.crossovers.iter().flat_map(pair).collect()
    });
    check(delay, |input| {
        let survey = two_mass_loop(input).plain();
        let margin_s = answer(&survey, Measure::DelayMargin).expect("there is a crossover");
        let turn = |phase_rad: f64| if phase_rad < 0.0 { phase_rad + TAU } else { phase_rad };
        let tightest = survey.crossovers.iter().find(|c| (turn(c.phase_rad) / c.rad_per_s - margin_s).abs() < 1e-12);
        vec![Some(1e3 * margin_s), tightest.map(|c| c.rad_per_s / TAU)]
    });
    check(sensitivity, |input| {
        let peak = two_mass_loop(input).plain().sensitivity_peak;
        vec![Some(peak.value), Some(peak.rad_per_s / TAU)]
    });
}

/// Every crossover with its signed margin, the delay margin (not of the smallest phase margin), Ms; derived.
#[test]
fn two_masses_cross_several_times() {
    check_two_masses("margins-two-mass-a-crossovers", "margins-two-mass-a-delay", "margins-two-mass-a-ms");
    check_two_masses("margins-two-mass-b-crossovers", "margins-two-mass-b-delay", "margins-two-mass-b-ms");
    check_two_masses("margins-two-mass-c-crossovers", "margins-two-mass-c-delay", "margins-two-mass-c-ms");
}

/// Largest |T| above the first minimum above the first crossover; derived.
#[test]
fn resonance_peak_lies_above_the_first_minimum() {
    for id in ["margins-two-mass-b-resonance-peak", "margins-two-mass-c-resonance-peak"] {
        check(id, |input| {
            let survey = two_mass_loop(input).plain();
            let peak = survey.resonance_peak.expect("there is a minimum");
            vec![answer(&survey, Measure::ResonancePeak), Some(peak.rad_per_s / TAU)]
        });
    }
}

/// Setpoint to motor speed and to load speed fall at different frequencies; derived.
#[test]
fn bandwidth_depends_on_the_side() {
    check("bandwidth-two-sides", |input| {
        let (j2, k, d) = (input("load_inertia_kgm2"), input("stiffness_nm_per_rad"), input("damping_nms_per_rad"));
        let load_over_motor = |w: f64| (d * jw(w) + k) / (j2 * jw(w) * jw(w) + d * jw(w) + k);
        let survey = two_mass_loop(input).survey(&load_over_motor);
        [Side::Motor, Side::Load].map(|side| survey.answer(Measure::Bandwidth, side).value()).to_vec()
    });
}

/// Kp (1 + (T/Ti) z/(z − 1)) z⁻¹ (T/J)/(z − 1): exact zero-order hold, torque one tick late.
fn discrete_rigid(input: Inputs) -> Described<impl Fn(f64) -> Complex64> {
    let (t, j) = (input("tick_s"), input("inertia_kgm2"));
    let (kp, ti) = (input("speed_gain_nms_per_rad"), input("reset_time_s"));
    let open = move |w: f64| {
        let z = turned(w * t);
        kp * (1.0 + t / ti * z / (z - 1.0)) / z * (t / j) / (z - 1.0)
    };
    Described { open, high_rad_per_s: PI / t, breakpoints: vec![1.0 / ti, kp / j] }
}

/// Åström & Wittenmark, Computer-Controlled Systems; a continuous loop with 1.5 ticks differs by 0.02°.
#[test]
fn sampled_loop_is_taken_exactly() {
    check("margins-discrete-rigid", |input| {
        let survey = discrete_rigid(input).plain();
        let measures = [
            Measure::PhaseMargin,
            Measure::Crossover,
            Measure::GainMargin,
            Measure::SensitivityPeak,
            Measure::Bandwidth,
        ];
        measures.map(|measure| answer(&survey, measure)).to_vec()
    });
    check("margins-discrete-against-1.5-ticks", |_| {
        let input = |key: &str| match key {
            "tick_s" => 1.25e-4,
            "delay_s" => 1.875e-4,
            "inertia_kgm2" => 1e-3,
            "speed_gain_nms_per_rad" => 0.5,
            _ => 0.02,
        };
        let exact = answer(&discrete_rigid(&input).plain(), Measure::PhaseMargin);
        let continuous = answer(&rigid_with_delay(&input).plain(), Measure::PhaseMargin);
        vec![exact.zip(continuous).map(|(exact, continuous)| exact - continuous)]
    });
}

/// An unstable loop has no margins, whatever its curve looks like.
#[test]
fn unstable_loop_answers_unstable() {
    let open = |w: f64| 100.0 / (jw(w) * (1.0 + jw(w)) * (1.0 + jw(w)));
    let closed = |w: f64| if w == 0.0 { Complex64::new(1.0, 0.0) } else { open(w) / (1.0 + open(w)) };
    let survey = Survey::of(&Loop {
        open: &open,
        closed_motor: &closed,
        closed_load: None,
        low_rad_per_s: 1e-3,
        high_rad_per_s: 1e3,
        breakpoints_rad_per_s: &[1.0],
        stable: false,
    });
    let of_the_loop = |measure: &Measure| measure.kind() == plantstand::score::measure::Kind::Loop;
    for measure in Measure::all().filter(of_the_loop) {
        assert_eq!(survey.answer(measure, Side::Motor), Answer::Without(NoNumber::Unstable), "{}", measure.name());
    }
}

/// A resonance a millionth of its frequency wide is crossed on both flanks, and so is one without any damping.
#[test]
fn needle_thin_resonances_are_not_missed() {
    for damping in [1e-6, 0.0] {
        let resonance = |w: f64| 1.0 / (1.0 - w * w / 1e6 + 2.0 * damping * jw(w) / 1e3);
        let open = |w: f64| 1e-3 / jw(w) + 1e-4 * resonance(w);
        let survey = Described { open, high_rad_per_s: 1e5, breakpoints: vec![1e3] }.plain();
        let near: Vec<f64> = survey.crossovers.iter().map(|c| c.rad_per_s).filter(|w| 900.0 < *w).collect();
        assert_eq!(near.len(), 2, "damping {damping}: {near:?}");
        assert!((near[0] / 999.95 - 1.0).abs() < 1e-5 && (near[1] / 1000.05 - 1.0).abs() < 1e-5, "{near:?}");
    }
}

/// A sampled loop that reaches −180° at half the tick rate crosses there: its mirror image goes on.
#[test]
fn half_the_tick_rate_counts_as_a_crossing() {
    // L = 0.25 / z at z = −1 is −0.25: 12.04 dB.
    let t = 1e-3;
    let open = |w: f64| 0.25 * turned(-w * t);
    let survey = Described { open, high_rad_per_s: PI / t, breakpoints: Vec::new() }.plain();
    let margin_db = answer(&survey, Measure::GainMargin).expect("there is a crossing");
    assert!((margin_db - 20.0 * 4.0_f64.log10()).abs() < 1e-9, "{margin_db}");
    assert_eq!(survey.answer(Measure::PhaseMargin, Side::Motor), Answer::Without(NoNumber::None));
}
