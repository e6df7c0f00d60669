//! The speed loop as a linear model: train, sensor, delays and drive, exact and discrete at the tick rate.
//!
//! One tick, as the drive and the run loop do it: the sample of tick k shows the motor's angle at the start of tick
//! k − latency; the measured speed is its difference over one tick; the command computed from it acts from the start of
//! tick k + [`COMMAND_DELAY_TICKS`] and is held for one tick. The held torque is what the matrix exponential is exact for,
//! so no half tick is added anywhere. Limits, the setpoint's ramp and rounding to counts are not linear and left out.
//! Speed by the M/T method is taken as the same difference: where edges come in every tick it is the mean between two last
//! edges and at most an edge's time older; where they do not, it lags more than is in here.
//!
//! Where the motor has a winding, the current loop stands between torque command and torque, linearised at standstill: the
//! q axis alone, since there d and q do not meet; R and L of the plant with the motor's own voltage, the held voltage one
//! tick after the sample, the PI controller and the voltage fed forward from the measured speed, with the drive's numbers
//! for them. A frame that a wrong nameplate turns is not in it, nor are faults of the current sensors.
//! What it does not: look for margins (see `margins.rs`). Start reading at [`LoopModel::new`].

use nalgebra::{DMatrix, DVector};
use num_complex::Complex64;

use crate::base::real;
use crate::base::signal::COMMAND_DELAY_TICKS;
use crate::base::time::TickRate;
use crate::base::units::TURN_RAD;
use crate::drive;
use crate::drive::filter::{LowPassCoefficients, NotchCoefficients};
use crate::drive::setting::Settings;
use crate::linear::chain::{Chain, Gaps};
use crate::linear::discretise::{Held, held};
use crate::linear::poles;
use crate::linear::resolvent::{LONG, Resolvent};
use crate::plant::sensor::SensorParameters;
use crate::plant::train::Parameters;

/// A loop: a machine and the settings of its drive.
#[derive(Clone, Debug)]
pub struct LoopModel {
    rate: TickRate,
    chain: Chain,
    held: Held,
    /// Change of the motor's angle over a tick by states, and by the torque that acts.
    angle_change: DVector<f64>,
    angle_change_by_torque: f64,
    /// Measured speed over true speed at standstill: sign of the sensor, and its counts over those of the nameplate.
    sensor_gain: f64,
    latency_ticks: usize,
    drive: drive::Coefficients,
    /// Of a long chain.
    resolvent: Option<Resolvent>,
    poles: Vec<Complex64>,
    stable: bool,
    /// Motor and load speed per setpoint at 0 Hz.
    at_rest: [f64; 2],
}

/// A place on the unit circle.
#[derive(Clone, Copy)]
struct Place {
    /// z.
    z: Complex64,
    /// z − 1, computed without cancellation.
    less_one: Complex64,
}

impl Place {
    fn new(rad_per_s: f64, rate: TickRate) -> Self {
        let angle = rad_per_s * rate.period_s();
        let half_sine = real::sin(0.5 * angle);
        let less_one = Complex64::new(-2.0 * half_sine * half_sine, real::sin(angle));
        Self { z: Complex64::new(real::cos(angle), less_one.im), less_one }
    }

    /// z⁻¹, exactly the conjugate on the unit circle.
    fn back(&self) -> Complex64 {
        self.z.conj()
    }

    /// z⁻ⁿ.
    fn delayed(&self, ticks: usize) -> Complex64 {
        (0..ticks).fold(Complex64::new(1.0, 0.0), |product, _| product * self.back())
    }

    fn low_pass(&self, filter: LowPassCoefficients) -> Complex64 {
        (1.0 - filter.a) / (1.0 - filter.a * self.back())
    }

    fn notch(&self, c: &NotchCoefficients) -> Complex64 {
        let back = self.back();
        (c.b0 + (c.b1 + c.b2 * back) * back) / (1.0 + (c.a1 + c.a2 * back) * back)
    }
}

/// What a torque that acts does, or a voltage where the motor has a winding, at one frequency.
struct Moved {
    motor_speed: Complex64,
    load_speed: Complex64,
    measured_speed: Complex64,
    /// In the winding; 0 without one.
    current: Complex64,
}

impl LoopModel {
    /// The loop of a machine (its nominal or a corner's parameters), its sensor and the drive's settings.
    #[must_use]
    pub fn new(
        parameters: &Parameters,
        sensor: &SensorParameters,
        settings: &Settings,
        rate: TickRate,
        gaps: Gaps,
    ) -> Self {
        let chain = Chain::of(parameters, gaps);
        let (a, b) = chain.with_motor_angle();
        let with_angle = held(&a, &b, rate.period_s());
        let states = chain.a.nrows();
        let drive = drive::Coefficients::new(settings, rate);
        let rad_per_s_per_count = drive.speed_meter.count_per_tick_rad_per_s;
        let mut model = Self {
            rate,
            held: Held {
                change: with_angle.change.view((0, 0), (states, states)).into_owned(),
                input: with_angle.input.rows(0, states).into_owned(),
            },
            angle_change: with_angle.change.row(states).columns(0, states).transpose(),
            angle_change_by_torque: with_angle.input[states],
            chain,
            // One count in every tick is this speed to the drive, and 2π / N times tick_hz in truth.
            sensor_gain: sensor.sign * sensor.counts_per_shaft_turn() * rad_per_s_per_count
                / (TURN_RAD * f64::from(rate.hz)),
            latency_ticks: sensor.latency_ticks as usize,
            drive,
            resolvent: None,
            poles: Vec::new(),
            stable: false,
            at_rest: [0.0; 2],
        };
        if LONG <= states {
            model.resolvent = Some(Resolvent::new(&model.held.change, &model.held.input));
        }
        model.close();
        model
    }

    /// Poles, stability and the gain at 0 Hz from the closed loop's state matrix.
    fn close(&mut self) {
        let (matrix, input) = self.closed_loop();
        match poles::eigenvalues(&matrix) {
            Some(poles) => {
                self.stable = poles.iter().all(|pole| real::hypot(pole.re, pole.im) < 1.0);
                self.poles = poles;
            }
            None => self.stable = poles::spectral_radius(&matrix) < 1.0,
        }
        let size = matrix.nrows();
        if let Some(rest) = (DMatrix::identity(size, size) - matrix).lu().solve(&input) {
            self.at_rest = [rest[0], self.chain.load_ratio.unwrap_or(0.0) * rest[self.chain.nodes - 1]];
        }
    }

    /// The closed loop's state matrix and its input column (setpoint after the setpoint's low-pass, no feed-forward):
    /// one tick of [`LoopModel::tick`] from each unit state.
    #[must_use]
    pub fn closed_loop(&self) -> (DMatrix<f64>, DVector<f64>) {
        let size = LoopState::size(self);
        let mut matrix = DMatrix::zeros(size, size);
        for column in 0..size {
            let mut state = DVector::zeros(size);
            state[column] = 1.0;
            matrix.set_column(column, &self.tick(&state, 0.0));
        }
        (matrix, self.tick(&DVector::zeros(size), 1.0))
    }

    /// One tick of the closed loop, in the order in which bench and drive do it.
    fn tick(&self, state: &DVector<f64>, setpoint_rad_per_s: f64) -> DVector<f64> {
        let mut s = LoopState::unpacked(self, state);
        let Self { drive: drive::Coefficients { speed_meter, speed_loop, .. }, .. } = self;
        let shown = s.differences[self.latency_ticks];
        s.filtered_speed = speed_meter.filter.a * s.filtered_speed + (1.0 - speed_meter.filter.a) * shown;
        let error = setpoint_rad_per_s - s.filtered_speed;
        // Without an integrator the sum would only be a mode at 1 that nobody sees.
        let integrates = speed_loop.pi.gain_nms_per_rad * speed_loop.pi.period_over_reset_time != 0.0;
        s.error_sum = if integrates { s.error_sum + error } else { 0.0 };
        let mut torque = speed_loop.pi.gain_nms_per_rad * (error + speed_loop.pi.period_over_reset_time * s.error_sum);
        for (c, memory) in speed_loop.notches.iter().zip(&mut s.notches) {
            let output = c.b0 * torque + memory[0];
            *memory = [c.b1 * torque - c.a1 * output + memory[1], c.b2 * torque - c.a2 * output];
            torque = output;
        }
        let lowpass = speed_loop.torque_lowpass;
        s.filtered_torque = lowpass.a * s.filtered_torque + (1.0 - lowpass.a) * torque;
        let command = self.command(&mut s);
        s.commands.push(command);
        let acting = s.commands.remove(0);
        s.differences.pop();
        let turned_rad = self.angle_change.dot(&s.plant) + self.angle_change_by_torque * acting;
        s.differences.insert(0, self.sensor_gain * turned_rad * f64::from(self.rate.hz));
        s.plant = &s.plant + &self.held.change * &s.plant + &self.held.input * acting;
        s.packed()
    }

    /// What the drive puts out for the torque that it wants: the torque itself, or the voltage that the current loop makes
    /// of it.
    fn command(&self, s: &mut LoopState) -> f64 {
        let Some(place) = self.chain.current else { return s.filtered_torque };
        let loops = &self.drive.current_loop;
        let error = loops.amperes_per_nm * s.filtered_torque - s.plant[place];
        let integrates = loops.gain_v_per_a * loops.period_over_reset_time != 0.0;
        s.current_sum = if integrates { s.current_sum + error } else { 0.0 };
        loops.gain_v_per_a * (error + loops.period_over_reset_time * s.current_sum)
            + loops.volts_per_rad_per_s() * s.filtered_speed
    }

    /// Speeds and current per torque or voltage that acts, at a frequency.
    fn moved(&self, place: &Place) -> Moved {
        let states = self.resolvent.as_ref().map_or_else(|| self.solved(place), |long| long.at(place.less_one));
        let turned: Complex64 = self.angle_change.iter().zip(&states).map(|(row, state)| state * *row).sum();
        let difference = (turned + self.angle_change_by_torque) * f64::from(self.rate.hz) * place.back();
        let shown = self.sensor_gain * difference * place.delayed(self.latency_ticks);
        Moved {
            motor_speed: states[0],
            load_speed: self.chain.load_ratio.unwrap_or(0.0) * states[self.chain.nodes - 1],
            measured_speed: shown * place.low_pass(self.drive.speed_meter.filter),
            current: self.chain.current.map_or(Complex64::ZERO, |current| states[current]),
        }
    }

    /// States per input that acts, of a short chain.
    fn solved(&self, place: &Place) -> DVector<Complex64> {
        let size = self.held.change.nrows();
        let to_complex = |value: f64| Complex64::new(value, 0.0);
        let matrix = DMatrix::from_diagonal_element(size, size, place.less_one) - self.held.change.map(to_complex);
        let nowhere = || DVector::from_element(size, Complex64::new(f64::INFINITY, 0.0));
        matrix.lu().solve(&self.held.input.map(to_complex)).unwrap_or_else(nowhere)
    }

    /// From the torque command to what acts: one tick of delay; with a winding, the current loop closed round it.
    ///
    /// With C the PI controller, F the voltage fed forward per speed, I and M current and measured speed per voltage:
    /// v = z⁻¹ (C (τ / Kt − I v) + F M v), so v/τ = z⁻¹ C / Kt / (1 + z⁻¹ (C I − F M)); all times z − 1, C's pole.
    fn actuation(&self, place: &Place, moved: &Moved) -> Complex64 {
        let delay = place.delayed(COMMAND_DELAY_TICKS as usize);
        if self.chain.current.is_none() {
            return delay;
        }
        let loops = &self.drive.current_loop;
        let controller = loops.gain_v_per_a * (place.less_one + loops.period_over_reset_time * place.z);
        let fed_forward = place.less_one * loops.volts_per_rad_per_s() * moved.measured_speed;
        delay * controller * loops.amperes_per_nm
            / (place.less_one + delay * (controller * moved.current - fed_forward))
    }

    /// From u (the speed loop's torque before notches and low-pass) to what acts.
    fn torque_path(&self, place: &Place, moved: &Moved) -> Complex64 {
        let speed_loop = &self.drive.speed_loop;
        let notches = speed_loop.notches.iter().map(|notch| place.notch(notch)).product::<Complex64>();
        notches * place.low_pass(speed_loop.torque_lowpass) * self.actuation(place, moved)
    }

    /// (z − 1) C(z) with C(z) = Kp (1 + (T/Tn) z / (z − 1)): the present error is in the sum.
    fn controller_times_less_one(&self, place: &Place) -> Complex64 {
        let pi = &self.drive.speed_loop.pi;
        pi.gain_nms_per_rad * (place.less_one + pi.period_over_reset_time * place.z)
    }

    /// L at an angular frequency in rad/s above 0: what comes back at the opened torque command, sign turned.
    #[must_use]
    pub fn open(&self, rad_per_s: f64) -> Complex64 {
        let place = Place::new(rad_per_s, self.rate);
        let controller = self.controller_times_less_one(&place) / place.less_one;
        let moved = self.moved(&place);
        controller * self.torque_path(&place, &moved) * moved.measured_speed
    }

    /// Setpoint (the programme's, before the drive's low-pass; the ramp is not linear) to speed, by `pick`.
    fn closed(&self, rad_per_s: f64, at_rest: f64, pick: impl Fn(&Moved) -> Complex64) -> Complex64 {
        if rad_per_s == 0.0 {
            return Complex64::new(at_rest, 0.0);
        }
        let place = Place::new(rad_per_s, self.rate);
        let moved = self.moved(&place);
        let path = self.torque_path(&place, &moved);
        let controller = self.controller_times_less_one(&place) / place.less_one;
        let slope = (1.0 - place.back()) * f64::from(self.rate.hz);
        let forward = controller + self.drive.speed_loop.inertia_feedforward_kgm2 * slope;
        let open = controller * path * moved.measured_speed;
        place.low_pass(self.drive.setpoint.lowpass) * forward * path * pick(&moved) / (1.0 + open)
    }

    /// Setpoint to the true motor speed at the sampling instants. At 0: the gain at rest.
    #[must_use]
    pub fn closed_motor(&self, rad_per_s: f64) -> Complex64 {
        self.closed(rad_per_s, self.at_rest[0], |moved| moved.motor_speed)
    }

    /// Setpoint to the true load speed as a motor speed, at the sampling instants. At 0: the gain at rest. 0 when the load
    /// is not connected.
    #[must_use]
    pub fn closed_load(&self, rad_per_s: f64) -> Complex64 {
        self.closed(rad_per_s, self.at_rest[1], |moved| moved.load_speed)
    }

    /// Torque command to true motor speed at the sampling instants, in rad/s per Nm, the command's delay and the current
    /// loop included.
    #[must_use]
    pub fn plant(&self, rad_per_s: f64) -> Complex64 {
        let place = Place::new(rad_per_s, self.rate);
        let moved = self.moved(&place);
        moved.motor_speed * self.actuation(&place, &moved)
    }

    /// Whether the closed loop is stable: every pole inside the unit circle. A pole on it, as of a frictionless axis
    /// without a controller, counts as unstable.
    #[must_use]
    pub fn is_stable(&self) -> bool {
        self.stable
    }

    /// The closed loop's poles in z; empty when the iteration for them did not end.
    #[must_use]
    pub fn poles(&self) -> &[Complex64] {
        &self.poles
    }

    /// Ticks per second.
    #[must_use]
    pub fn rate(&self) -> TickRate {
        self.rate
    }

    /// The chain it was made from.
    #[must_use]
    pub fn chain(&self) -> &Chain {
        &self.chain
    }

    /// The drive's coefficients.
    #[must_use]
    pub fn drive(&self) -> &drive::Coefficients {
        &self.drive
    }
}

/// The states of the closed loop by name.
struct LoopState {
    plant: DVector<f64>,
    /// The sensor's differences as speeds in rad/s, the newest first, back to the one that is shown.
    differences: Vec<f64>,
    /// Torque commands, or voltages, under way, the next to act first.
    commands: Vec<f64>,
    filtered_speed: f64,
    error_sum: f64,
    notches: [[f64; 2]; 2],
    filtered_torque: f64,
    /// Sum of the current loop's errors; no state without a winding.
    current_sum: f64,
    has_winding: bool,
}

impl LoopState {
    fn size(model: &LoopModel) -> usize {
        let current_loop = usize::from(model.chain.current.is_some());
        model.held.change.nrows() + model.latency_ticks + 1 + COMMAND_DELAY_TICKS as usize + 7 + current_loop
    }

    fn unpacked(model: &LoopModel, state: &DVector<f64>) -> Self {
        let mut values = state.iter().copied();
        let mut take = |count: usize| -> Vec<f64> { values.by_ref().take(count).collect() };
        let plant = DVector::from_vec(take(model.held.change.nrows()));
        let differences = take(model.latency_ticks + 1);
        let commands = take(COMMAND_DELAY_TICKS as usize);
        let rest = take(7);
        let has_winding = model.chain.current.is_some();
        Self {
            plant,
            differences,
            commands,
            filtered_speed: rest[0],
            error_sum: rest[1],
            notches: [[rest[2], rest[3]], [rest[4], rest[5]]],
            filtered_torque: rest[6],
            current_sum: if has_winding { take(1)[0] } else { 0.0 },
            has_winding,
        }
    }

    fn packed(self) -> DVector<f64> {
        let mut values: Vec<f64> = self.plant.iter().copied().collect();
        values.extend(self.differences);
        values.extend(self.commands);
        values.extend([self.filtered_speed, self.error_sum]);
        values.extend(self.notches.concat());
        values.push(self.filtered_torque);
        values.extend(self.has_winding.then_some(self.current_sum));
        DVector::from_vec(values)
    }
}
