//! A made-up trial for the renderings: a roll on a belt, a PI loop, three machines, numbers read off the curves.
//!
//! Plausible, not exact: a coarse integration and a continuous loop are enough to have something to look at.

use num_complex::Complex64;
use plantstand::base::real;
use plantstand::base::recording::{Recording, Row};
use plantstand::base::time::TickRate;
use plantstand::base::units::RPM_RAD_PER_S;
use plantstand::report::{
    BodePoint, EntryMark, GainMargin, LoopPicture, Mark, PhaseMargin, Pictures, Run, SensitivityPeak, SensitivityPoint,
    TuningRun,
};
use plantstand::trial::result::{
    Conduct, LimitResult, LinkFacts, MeasureResult, MethodFacts, NoNumber, Program, Reason, SCHEMA_VERSION,
    ScenarioFacts, SettingFact, TrialResult, TuningEnd, Verdict,
};

pub const RATE: TickRate = TickRate { hz: 8000 };
const MOTOR_KGM2: f64 = 4.2e-4;
const LAG_S: f64 = 1.9e-4;
const RATED_NM: f64 = 4.1;
const LIMIT_NM: f64 = 8.0;
const END_S: f64 = 3.2;
const ENTRIES: [(&str, f64, f64); 3] =
    [("step to 400 rpm", 0.2, 1.2), ("dough enters", 1.2, 2.2), ("stand still", 2.2, END_S)];

/// Settings of the speed loop.
#[derive(Clone, Copy)]
pub struct Loop {
    pub gain: f64,
    pub reset_s: f64,
    pub lowpass_hz: f64,
}

pub const CAREFUL: Loop = Loop { gain: 0.35, reset_s: 0.05, lowpass_hz: 700.0 };
pub const HASTY: Loop = Loop { gain: 0.28, reset_s: 0.003, lowpass_hz: 0.0 };

#[derive(Clone, Copy)]
struct Machine {
    name: &'static str,
    stiffness: f64,
    load_kgm2: f64,
}

const MACHINES: [Machine; 3] = [
    Machine { name: "nominal", stiffness: 260.0, load_kgm2: 3.4e-3 },
    Machine { name: "worn belt", stiffness: 156.0, load_kgm2: 3.4e-3 },
    Machine { name: "big roll", stiffness: 260.0, load_kgm2: 6.1e-3 },
];

/// A trial with everything that its pictures need.
pub struct Trial {
    pub result: TrialResult,
    recordings: Vec<Recording>,
    loops: Vec<LoopPicture>,
    marks: Vec<Mark>,
}

impl Trial {
    pub fn pictures(&self) -> Pictures<'_> {
        let runs = MACHINES.iter().zip(&self.recordings).map(|(machine, recording)| Run {
            machine: machine.name.to_owned(),
            recording,
            total_ratio: 1.0,
            entries: ENTRIES.map(|(name, at_s, end_s)| EntryMark { name: name.to_owned(), at_s, end_s }).to_vec(),
            marks: if machine.name == "big roll" { self.marks.clone() } else { vec![] },
            rated_torque_nm: RATED_NM,
            torque_limit_nm: LIMIT_NM,
        });
        Pictures {
            runs: runs.collect(),
            loops: self.loops.clone(),
            tuning: Some(TuningRun {
                recording: &self.recordings[0],
                total_ratio: 1.0,
                angle_zero_rad: 0.0,
                marks: vec![],
            }),
            replay_command: Some("plantstand replay records/dough-sheeter-20261125T141500Z-20".to_owned()),
        }
    }
}

pub fn passed() -> Trial {
    trial(CAREFUL, "careful")
}

pub fn failed() -> Trial {
    let mut trial = trial(HASTY, "hasty");
    trial.marks = vec![Mark { at_s: 0.93, text: "trip: speed deviation".to_owned() }];
    trial
}

pub fn void() -> TrialResult {
    let mut result = passed().result;
    result.verdict = Verdict::VoidMethod;
    result.reasons =
        vec![Reason { text: "the method exited with 1 before done".into(), machine: "tuning".into(), at_s: Some(0.4) }];
    result.grade_percent = None;
    result.limits.clear();
    result.settings.clear();
    result.method.said_name = None;
    result.conduct.settings_kept = None;
    result
}

fn trial(settings: Loop, method: &str) -> Trial {
    let recordings: Vec<Recording> = MACHINES.iter().map(|machine| run(machine, settings)).collect();
    let loops: Vec<LoopPicture> = MACHINES.iter().map(|machine| opened(machine, settings)).collect();
    let mut limits = Vec::new();
    for ((machine, recording), picture) in MACHINES.iter().zip(&recordings).zip(&loops) {
        limits.extend(limits_of(machine.name, recording, picture));
    }
    limits.sort_by_key(|limit| limit.limit);
    let result = result(method, settings, limits);
    Trial { result, recordings, loops, marks: vec![] }
}

/// One examination: setpoint 0, 400 rpm, a load from 1.2 s on, 0 again.
fn run(machine: &Machine, settings: Loop) -> Recording {
    let rows = (END_S * f64::from(RATE.hz)) as usize;
    let mut recording = Recording::with_capacity(RATE, rows);
    let period = RATE.period_s();
    let pass =
        if settings.lowpass_hz == 0.0 { 0.0 } else { real::exp(-std::f64::consts::TAU * settings.lowpass_hz * period) };
    let (mut motor, mut load, mut motor_angle, mut load_angle) = (0.0_f64, 0.0_f64, 0.0, 0.0);
    let (mut sum, mut filtered, mut command, mut torque, mut seed) = (0.0_f64, 0.0_f64, 0.0_f64, 0.0_f64, 20_u64);
    for tick in 0..rows {
        let now = RATE.seconds(tick as u64);
        let setpoint = if (0.2..2.2).contains(&now) { 400.0 * RPM_RAD_PER_S } else { 0.0 };
        let measured = motor + 0.36 * noise(&mut seed);
        let error = setpoint - measured;
        let controller = settings.gain * (error + period / settings.reset_s * (sum + error));
        filtered = pass * filtered + (1.0 - pass) * controller;
        let next = filtered.clamp(-LIMIT_NM, LIMIT_NM);
        if filtered == next || filtered * error < 0.0 {
            sum += error;
        }
        let twist = motor_angle - load_angle;
        let row: Row = [
            motor_angle,
            motor,
            load_angle,
            load,
            torque,
            twist,
            0.0,
            measured,
            setpoint,
            next,
            controller,
            controller,
            0.0,
            0.0,
            torque * motor,
            0.0,
            0.0,
        ];
        recording.push(&row);
        let drag = 0.25 + if (1.2..2.2).contains(&now) { 1.5 } else { 0.0 };
        for _ in 0..8 {
            let dt = period / 8.0;
            torque += (command - torque) / LAG_S * dt;
            let shaft = machine.stiffness * (motor_angle - load_angle) + 0.02 * (motor - load);
            motor += (torque - shaft - 0.04 * (motor / 0.5).clamp(-1.0, 1.0)) / MOTOR_KGM2 * dt;
            load += (shaft - drag * (load / 0.5).clamp(-1.0, 1.0)) / machine.load_kgm2 * dt;
            motor_angle += motor * dt;
            load_angle += load * dt;
        }
        command = next;
    }
    recording
}

/// Roughly normal: the sum of twelve even draws of a linear congruential generator.
fn noise(seed: &mut u64) -> f64 {
    let mut draw = || {
        *seed = seed.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        (*seed >> 11) as f64 / (1_u64 << 53) as f64
    };
    (0..12).map(|_| draw()).sum::<f64>() - 6.0
}

fn opened(machine: &Machine, settings: Loop) -> LoopPicture {
    let points: Vec<(f64, Complex64)> = (0..=900)
        .map(|place| real::pow(4000.0, f64::from(place) / 900.0))
        .map(|hz| (hz, gain(machine, settings, hz)))
        .collect();
    let sensitivity: Vec<SensitivityPoint> = points
        .iter()
        .map(|(hz, l)| SensitivityPoint { hz: *hz, magnitude_db: -20.0 * real::log10((1.0 + l).norm()) })
        .collect();
    let peak = points.iter().map(|(hz, l)| SensitivityPeak { hz: *hz, ratio: 1.0 / (1.0 + l).norm() });
    let crossings: Vec<(f64, f64)> = points
        .windows(2)
        .filter(|pair| (pair[0].1.norm() < 1.0) != (pair[1].1.norm() < 1.0))
        .map(|pair| (pair[0].0, (180.0 + pair[0].1.arg().to_degrees() + 180.0).rem_euclid(360.0) - 180.0))
        .collect();
    let smallest = crossings.iter().min_by(|a, b| a.1.abs().total_cmp(&b.1.abs()));
    let real_axis = points.windows(2).filter(|pair| pair[0].1.re < 0.0 && pair[0].1.im * pair[1].1.im < 0.0);
    let gains = real_axis.map(|pair| GainMargin { hz: pair[0].0, db: (20.0 * real::log10(pair[0].1.norm())).abs() });
    LoopPicture {
        machine: machine.name.to_owned(),
        gaps_open: false,
        stable: true,
        points: points
            .iter()
            .map(|(hz, l)| BodePoint {
                hz: *hz,
                magnitude_db: 20.0 * real::log10(l.norm()),
                phase_deg: l.arg().to_degrees(),
            })
            .collect(),
        crossovers_hz: crossings.iter().map(|(hz, _)| *hz).collect(),
        phase_margin: smallest.map(|(hz, deg)| PhaseMargin { hz: *hz, deg: deg.abs() }),
        gain_margin: gains.min_by(|a, b| a.db.total_cmp(&b.db)),
        sensitivity,
        sensitivity_peak: peak.max_by(|a, b| a.ratio.total_cmp(&b.ratio)),
    }
}

fn gain(machine: &Machine, settings: Loop, hz: f64) -> Complex64 {
    let s = Complex64::new(0.0, std::f64::consts::TAU * hz);
    let shaft = machine.stiffness + 0.02 * s;
    let load = s * s * machine.load_kgm2 + shaft;
    let plant = s * load / (s * s * MOTOR_KGM2 * load + s * s * machine.load_kgm2 * shaft);
    let lowpass = if settings.lowpass_hz == 0.0 {
        Complex64::new(1.0, 0.0)
    } else {
        1.0 / (1.0 + s / (std::f64::consts::TAU * settings.lowpass_hz))
    };
    let delay = (-1.5 * RATE.period_s() * s).exp() / (1.0 + LAG_S * s);
    settings.gain * (1.0 + 1.0 / (settings.reset_s * s)) * plant * lowpass * delay
}

fn limits_of(machine: &str, recording: &Recording, picture: &LoopPicture) -> Vec<LimitResult> {
    use plantstand::base::recording::Signal;
    let speed: Vec<f64> = recording.column(Signal::LoadSpeed).iter().map(|speed| speed / RPM_RAD_PER_S).collect();
    let tick = |seconds: f64| RATE.nearest_tick(seconds) as usize;
    let peak = (tick(0.2)..tick(1.2)).max_by(|a, b| speed[*a].total_cmp(&speed[*b])).unwrap_or(0);
    let outside = (tick(0.2)..tick(1.2)).rfind(|place| 8.0 < (speed[*place] - 400.0).abs()).unwrap_or(0);
    let dip = (tick(1.2)..tick(2.2)).max_by(|a, b| (speed[*a] - 400.0).abs().total_cmp(&(speed[*b] - 400.0).abs()));
    let dip = dip.unwrap_or(0);
    let still = &recording.column(Signal::TorqueCommand)[tick(2.7)..];
    let mean = still.iter().sum::<f64>() / still.len() as f64;
    let power = still.iter().map(|nm| (nm - mean) * (nm - mean)).sum::<f64>() / still.len() as f64;
    let at = |place: usize| Some(RATE.seconds(place as u64));
    let find = |measure: &str, unit: &str, during: Option<&str>, value, at_s| MeasureResult {
        measure: measure.into(),
        unit: unit.into(),
        machine: machine.into(),
        during: during.map(Into::into),
        window_s: during
            .and_then(|name| ENTRIES.iter().find(|entry| entry.0 == name))
            .map(|entry| if entry.0 == "stand still" { [2.7, entry.2] } else { [entry.1, entry.2] }),
        value,
        no_number: None,
        at_s,
        note: None,
    };
    let (step, dough, still_entry) = (Some(ENTRIES[0].0), Some(ENTRIES[1].0), Some(ENTRIES[2].0));
    let overshoot = (speed[peak] / 4.0 - 100.0).max(0.0);
    let mut settling =
        find("settling_time_s", "s", step, Some(RATE.seconds(outside as u64 + 1) - 0.2), at(outside + 1));
    if RATE.seconds(outside as u64) > 1.15 {
        settling = MeasureResult { value: None, no_number: Some(NoNumber::NotSettled), at_s: None, ..settling };
    }
    vec![
        limit(0, find("overshoot_percent", "%", step, Some(overshoot), at(peak)), Some(15.0), None, Some(5.0)),
        LimitResult { band_percent: Some(2.0), ..limit(1, settling, Some(0.22), None, Some(0.1)) },
        limit(
            2,
            find("dip_rpm", "rpm", dough, Some((speed[dip] - 400.0).abs()), at(dip)),
            Some(45.0),
            None,
            Some(30.0),
        ),
        limit(
            3,
            find("torque_noise_rms_percent", "%", still_entry, Some(100.0 * power.sqrt() / RATED_NM), None),
            Some(2.0),
            None,
            None,
        ),
        limit(
            4,
            find("phase_margin_deg", "°", None, picture.phase_margin.map(|margin| margin.deg), None),
            None,
            Some(30.0),
            None,
        ),
        limit(
            5,
            find("sensitivity_peak", "", None, picture.sensitivity_peak.map(|peak| peak.ratio), None),
            Some(2.4),
            None,
            None,
        ),
    ]
}

fn limit(place: usize, found: MeasureResult, max: Option<f64>, min: Option<f64>, target: Option<f64>) -> LimitResult {
    let held = found.value.is_some_and(|v| max.is_none_or(|max| v <= max) && min.is_none_or(|min| min <= v));
    let grade = match (found.value, max, target) {
        (Some(value), Some(max), Some(target)) => ((max - value) / (max - target)).clamp(0.0, 1.0),
        _ => f64::from(u8::from(held)),
    };
    LimitResult { limit: place, found, max, min, target, band_percent: None, band_rpm: None, weight: 1.0, held, grade }
}

fn result(method: &str, settings: Loop, limits: Vec<LimitResult>) -> TrialResult {
    let missed: Vec<&LimitResult> = limits.iter().filter(|limit| !limit.held).collect();
    let reasons: Vec<Reason> = missed
        .iter()
        .map(|limit| Reason {
            text: plantstand::report::finding::limit_sentence(limit),
            machine: limit.found.machine.clone(),
            at_s: limit.found.at_s,
        })
        .collect();
    let verdict = if missed.is_empty() { Verdict::Pass } else { Verdict::Fail };
    let grade_percent = Some(if missed.is_empty() { 71.3 } else { 0.0 });
    let setting =
        |name: &str, unit: &str, value, initial| SettingFact { name: name.into(), unit: unit.into(), value, initial };
    TrialResult {
        schema_version: SCHEMA_VERSION,
        program: Program { name: "plantstand".into(), version: "0.1.0".into(), sha256: Some("5b".repeat(32)) },
        scenario: ScenarioFacts {
            title: "Dough sheeter, upper roll".into(),
            about:
                "A bakery line's roll, driven through a toothed belt. The roll is heavy for its motor and the belt is \
                    long,\nso the reset time that suits the bare motor makes the coupled roll ring.\n"
                    .into(),
            file: "scenarios/dough-sheeter.toml".into(),
            sha256: "c4".repeat(32),
            seed: 20,
            tick_hz: RATE.hz,
            stride: 8,
        },
        method: MethodFacts {
            name: method.into(),
            command: Some(format!("plantstand method {method}")),
            said_name: Some(method.into()),
        },
        pace: "lockstep".into(),
        impairment: None,
        verdict,
        reasons,
        grade_percent,
        settings: vec![
            setting("speed_gain_nms_per_rad", "Nms/rad", settings.gain, 0.05),
            setting("speed_reset_time_s", "s", settings.reset_s, 0.2),
            setting("torque_lowpass_hz", "Hz", settings.lowpass_hz, 0.0),
            setting("torque_limit_nm", "Nm", 8.0, 8.0),
            setting("notch_1_hz", "Hz", 0.0, 0.0),
        ],
        tuning_ended: TuningEnd::Done,
        machines: MACHINES.iter().map(|machine| machine.name.to_owned()).collect(),
        limits,
        measures: vec![],
        conduct: conduct(),
        link: LinkFacts { link: "udp:127.0.0.1:40123".into(), exchanges: 41_200, ..LinkFacts::default() },
        timing: None,
        bits_sha256: "7e".repeat(32),
    }
}

fn conduct() -> Conduct {
    Conduct {
        tuning_time_s: 21.4,
        time_allowed_s: 60.0,
        travel_window_deg: 1012.6,
        travel_min_deg: -498.2,
        travel_max_deg: 514.4,
        window_allowed_deg: [-720.0, 720.0],
        travel_path_deg: 8312.0,
        path_allowed_deg: 20_000.0,
        moves: 17,
        torque_rms_percent: 23.4,
        torque_peak_percent: 195.1,
        time_at_limit_percent: 0.42,
        settings_kept: Some(true),
        ..Conduct::default()
    }
}
