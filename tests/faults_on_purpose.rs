//! What an instructor can plant in a machine, said by keys of its scenario alone, shows by what the machine then does.
//!
//! Each test changes the shipped roll in a line or two and holds the run against the sound machine's. A travel switch in
//! the wrong place and a bearing that is stiff when cold are not here. Start reading at [`examined`].

use plantstand::base::recording::Signal;
use plantstand::base::units::RPM_RAD_PER_S;
use plantstand::drive::protection::Trip;
use plantstand::drive::setting::Setting;
use plantstand::trial::examination::{Examination, examine};

#[path = "trial_runs/scenario_text.rs"]
mod scenario_text;

/// Seed of every run here.
const SEED: u64 = 20;
/// The roll turns at 400 rpm and nothing but friction acts, in s.
const STEADY_S: [f64; 2] = [0.9, 1.19];
/// The dough is in, in s.
const DOUGH_S: [f64; 2] = [1.7, 2.19];

/// The sound machine as text: the shipped roll with settings that hold its limits.
fn sound() -> String {
    let text = scenario_text::dough_sheeter();
    let text = replaced(&text, "speed_gain_nms_per_rad = 0.05", "speed_gain_nms_per_rad = 0.35");
    replaced(&text, "speed_reset_time_s = 0.2", "speed_reset_time_s = 0.05\ntorque_lowpass_hz = 800")
}

fn replaced(text: &str, from: &str, to: &str) -> String {
    assert_eq!(text.matches(from).count(), 1, "{from}");
    text.replace(from, to)
}

/// The nominal run of a text under the drive's settings in it.
fn examined(text: &str) -> Examination {
    let scenario = scenario_text::read(text);
    examine(&scenario, 0, &scenario.settings, SEED).expect("a nominal machine")
}

/// The sound machine with keys added behind these headings.
fn with(keys: &[(&str, &str)]) -> Examination {
    let changed = keys.iter().fold(sound(), |text, (heading, keys)| {
        replaced(&text, &format!("{heading}\n"), &format!("{heading}\n{keys}\n"))
    });
    examined(&changed)
}

fn window(run: &Examination, signal: Signal, [from_s, to_s]: [f64; 2]) -> &[f64] {
    let rate = run.recording.rate;
    &run.recording.column(signal)[rate.nearest_tick(from_s) as usize..rate.nearest_tick(to_s) as usize]
}

fn mean(values: &[f64]) -> f64 {
    values.iter().sum::<f64>() / values.len() as f64
}

fn mean_rpm(run: &Examination, signal: Signal, window_s: [f64; 2]) -> f64 {
    mean(window(run, signal, window_s)) / RPM_RAD_PER_S
}

/// Deviation of a signal from its mean.
fn rms(values: &[f64]) -> f64 {
    let middle = mean(values);
    (values.iter().map(|value| (value - middle) * (value - middle)).sum::<f64>() / values.len() as f64).sqrt()
}

/// The sound machine with a motor that is taken as a torque and nothing else: one whose torque needs no angle.
fn without_winding() -> String {
    replaced(&sound(), "kind = \"pmsm\"", "kind = \"ideal_torque\"\nlag_s = 1.9e-4")
}

/// A sensor that counts backwards, and a plate that says it does not.
fn reversed_behind_the_plate(text: &str) -> Examination {
    let text = replaced(text, "[motor.sensor]\n", "[motor.sensor]\nsign = -1\n");
    examined(&replaced(&text, "[axis]\n", "[nameplate]\nsensor_sign = 1\n[axis]\n"))
}

/// A sensor that counts backwards behind the plate's back: the drive pushes the more the faster the motor turns, until it
/// trips on overspeed. Told so on the plate, the same sensor does no harm.
#[test]
fn a_reversed_sensor_makes_the_motor_run_away() {
    let sound = with(&[]);
    assert!(sound.trips.is_empty() && (mean_rpm(&sound, Signal::MotorSpeed, STEADY_S) - 400.0).abs() < 8.0);
    let told = with(&[("[motor.sensor]", "sign = -1")]);
    assert!(told.trips.is_empty() && (mean_rpm(&told, Signal::MotorSpeed, STEADY_S) - 400.0).abs() < 8.0);
    let away = reversed_behind_the_plate(&without_winding());
    let (trip, at_s) = away.trips[0];
    assert_eq!(trip, Trip::Overspeed);
    let at = away.recording.rate.nearest_tick(at_s) as usize;
    let (speeds, measured) = (away.recording.column(Signal::MotorSpeed), away.recording.column(Signal::MeasuredSpeed));
    assert!(900.0 * RPM_RAD_PER_S < speeds[at].abs() && measured[at] * speeds[at] < 0.0, "{}", speeds[at]);
    let torque = away.recording.column(Signal::TorqueCommand)[at - 1];
    assert!(0.0 < torque * speeds[at], "it pushes on: {torque}");
}

/// Where the same sensor turns the field of a synchronous motor, that turns against the rotor: no torque lasts.
#[test]
fn a_reversed_sensor_leaves_a_synchronous_motor_without_steady_torque() {
    assert_does_not_follow(&reversed_behind_the_plate(&sound()));
}

/// It tripped, or does not turn at a quarter of what is asked for.
fn assert_does_not_follow(run: &Examination) {
    let rpm = mean_rpm(run, Signal::MotorSpeed, STEADY_S);
    assert!(!run.trips.is_empty() || rpm.abs() < 100.0, "{rpm}");
}

/// A plate with half the counts: the drive shows the speed asked for, and the roll turns at half of it. The field of a
/// synchronous motor then runs at twice the rotor's pace, and no torque lasts.
#[test]
fn wrong_counts_on_the_plate_scale_the_speed() {
    let plated = |text: &str| examined(&replaced(text, "[axis]\n", "[nameplate]\ncounts_per_turn = 524_288\n[axis]\n"));
    let run = plated(&without_winding());
    assert!(run.trips.is_empty());
    assert!((mean_rpm(&run, Signal::MeasuredSpeed, STEADY_S) - 400.0).abs() < 8.0);
    assert!((mean_rpm(&run, Signal::MotorSpeed, STEADY_S) - 200.0).abs() < 4.0);
    assert_does_not_follow(&plated(&sound()));
}

/// The plate of a larger frame: what it says is what the drive's settings begin with and a method reckons from; the machine
/// is the same.
#[test]
fn a_plate_of_another_frame_misleads_the_drive_only() {
    let keys = "[nameplate]\nmotor_inertia_kgm2 = 2e-3\nrated_torque_nm = 9.5\nrated_speed_rpm = 2000\ngear_ratio = 2\n[axis]\n";
    let scenario = scenario_text::read(&replaced(&sound(), "[axis]\n", keys));
    let settings = [Setting::MotorInertia, Setting::RatedTorque, Setting::RatedSpeed, Setting::GearRatio];
    assert_eq!(settings.map(|setting| scenario.settings.get(setting)), [2e-3, 9.5, 2000.0, 2.0]);
    assert_eq!(scenario.machine, scenario_text::read(&sound()).machine);
}

/// An open screen: the measured speed is as quiet as ever without torque, and many times noisier while the dough loads the
/// motor.
#[test]
fn an_open_screen_is_heard_with_the_torque() {
    let noise = |run: &Examination, window_s| rms(window(run, Signal::MeasuredSpeed, window_s));
    let sound = with(&[]);
    let open = with(&[("[motor.sensor]", "screen_noise_counts_per_nm = 20")]);
    let before_s = [0.05, 0.19];
    assert!(noise(&open, before_s) < 1.5 * noise(&sound, before_s));
    assert!(3.0 * noise(&sound, DOUGH_S) < noise(&open, DOUGH_S), "{}", noise(&open, DOUGH_S));
}

/// A disc with a scratch: counts go missing turn by turn, the index mark shows how many, and the angle shown drifts away.
#[test]
fn lost_counts_show_at_the_index_mark() {
    let keys = "lost_counts = { counts = 100, per_turn = 1 }\nindex = { at_deg = 180 }";
    let run = with(&[("[motor.sensor]", keys)]);
    let last = run.recording.rows() - 1;
    let column = |signal| run.recording.column(signal);
    let turns = column(Signal::MotorAngle)[last] / std::f64::consts::TAU;
    let missing = column(Signal::MissingCounts)[last];
    assert!((missing - 100.0 * turns).abs() < 201.0 && 500.0 < missing, "{missing} in {turns} turns");
    let short = turns * 1_048_576.0 - column(Signal::Counts)[last];
    assert!((short - missing).abs() < 250.0, "{short} {missing}");
}

/// A coupling that slips: the motor keeps its speed, and the dough stops the roll.
#[test]
fn a_slipping_coupling_leaves_the_load_behind() {
    let run = with(&[("[[train]]", "torque_limit_nm = 1.0")]);
    assert!(380.0 < mean_rpm(&run, Signal::MotorSpeed, DOUGH_S));
    assert!(mean_rpm(&run, Signal::LoadSpeed, DOUGH_S).abs() < 1.0);
}

/// A brake that drags costs its torque at every speed.
#[test]
fn a_dragging_brake_costs_torque() {
    let torque_nm = |run: &Examination| mean(window(run, Signal::Torque, STEADY_S));
    let brake = "brake = { torque_nm = 6, drag_nm = 0.5, opens_after_s = 0.05, closes_after_s = 0.03 }";
    let (sound, dragging) = (with(&[]), with(&[("[motor]", brake)]));
    let more_nm = torque_nm(&dragging) - torque_nm(&sound);
    assert!((more_nm - 0.5).abs() < 0.02, "{more_nm}");
}

/// A filter left at the resonance of another machine: a wide notch near the crossover takes the loop's phase, and the step
/// overshoots far more.
#[test]
fn a_filter_of_another_machine_makes_the_step_overshoot() {
    let peak_rpm = |run: &Examination| {
        window(run, Signal::LoadSpeed, [0.2, 1.19]).iter().copied().fold(0.0, f64::max) / RPM_RAD_PER_S
    };
    let notch = "notch_1_hz = 30\nnotch_1_width_hz = 30\nnotch_1_depth_db = 26";
    let left = examined(&replaced(&sound(), "torque_limit_nm = 8\n", &format!("torque_limit_nm = 8\n{notch}\n")));
    let (sound, left) = (peak_rpm(&with(&[])) - 400.0, peak_rpm(&left) - 400.0);
    assert!(sound < 60.0 && 2.0 * sound < left, "{sound} {left}");
}

/// Two phases changed over at the terminals: the field turns against the rotor, and the motor never follows.
#[test]
fn swapped_phases_leave_the_motor_without_steady_torque() {
    let run = with(&[("[motor]", "phase_order = \"acb\"")]);
    assert_does_not_follow(&run);
}

/// Sensor and phases both the other way round: everything fits again, and the axis turns the other way.
#[test]
fn sensor_and_phases_reversed_together_turn_the_axis_round() {
    let text = replaced(&sound(), "[motor]\n", "[motor]\nphase_order = \"acb\"\n");
    let text = replaced(&text, "[motor.sensor]\n", "[motor.sensor]\nsign = -1\n");
    let run = examined(&replaced(&text, "[axis]\n", "[nameplate]\nsensor_sign = 1\n[axis]\n"));
    assert!(run.trips.is_empty(), "{:?}", run.trips);
    assert!((mean_rpm(&run, Signal::MeasuredSpeed, STEADY_S) - 400.0).abs() < 8.0);
    assert!((mean_rpm(&run, Signal::MotorSpeed, STEADY_S) + 400.0).abs() < 8.0);
}

/// A commutation offset that is 60 electrical degrees off: cos 60° of the torque is left for each ampere, so the drive asks
/// for twice the torque that acts.
#[test]
fn a_commutation_offset_off_by_60_degrees_halves_the_torque() {
    for offset_deg in [60.0, -60.0] {
        let plate = format!("[nameplate]\ncommutation_offset_deg = {offset_deg}\n[axis]\n");
        let run = examined(&replaced(&sound(), "[axis]\n", &plate));
        assert!(run.trips.is_empty(), "{:?}", run.trips);
        let asked_over_acting =
            mean(window(&run, Signal::TorqueCommand, DOUGH_S)) / mean(window(&run, Signal::Torque, DOUGH_S));
        assert!((asked_over_acting - 2.0).abs() < 0.1, "{asked_over_acting}");
    }
}

/// A wrong number of pole pairs on the plate: the field turns at another pace than the rotor, and the motor does not follow.
#[test]
fn wrong_pole_pairs_leave_the_motor_without_steady_torque() {
    let run = examined(&replaced(&sound(), "[axis]\n", "[nameplate]\npole_pairs = 3\n[axis]\n"));
    assert_does_not_follow(&run);
}

/// A bus that is low: the motor's own voltage takes all of it before the speed asked for is reached.
#[test]
fn a_low_bus_leaves_speed_short() {
    let run = examined(&replaced(&sound(), "bus_v = 560", "bus_v = 30"));
    // 4 pole pairs at 0.118 Vs: all of 30 V / √3 at 350 rpm.
    let highest_rpm = 30.0 / 3.0_f64.sqrt() / (4.0 * 0.118) / RPM_RAD_PER_S;
    assert!(mean_rpm(&run, Signal::MotorSpeed, STEADY_S) < highest_rpm);
}
