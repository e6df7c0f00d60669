//! The promise of the winding test: a method that knows nothing of the motor finds its resistance and inductance within
//! 2 %, and what cannot be done is refused with the reason and moves nothing.
//!
//! Start reading at the first test.

use plantstand::bench::session::Session;
use plantstand::scenario::Scenario;
use plantstand::trial::phases;
use plantstand::wire::codec::{decode, encode};
use plantstand::wire::layout::MAX_FRAME_BYTES;
use plantstand::wire::message::{
    CommandFrame, FeedbackFrame, Frame, Message, Value, Values, WindingAnswer, WindingOutcome, WindingRead,
    WindingSample, WindingState, WindingTest,
};

const SEED: u64 = 5;
const ROLL: &str = include_str!("../scenarios/voltage/dough-sheeter.toml");

/// The roll's drive with its own loops, under current sensors that are not clean.
fn roll() -> Scenario {
    let mut scenario = read(ROLL);
    let sensor = &mut scenario.machine.current_sensor;
    (sensor.noise_a_rms, sensor.resolution_a) = (0.02, 0.005);
    scenario
}

fn read(text: &str) -> Scenario {
    plantstand::scenario::read("the roll", &text.replacen("commands = \"voltage\"", "commands = \"speed\"", 1))
        .expect("a sound scenario")
}

struct Hand {
    session: Session,
    heard: Vec<Message>,
    sequence: u32,
}

impl Hand {
    fn tuning(scenario: &Scenario) -> Self {
        let mut hand = Self { session: phases::tuning(scenario, SEED), heard: Vec::new(), sequence: 0 };
        hand.hear(|session, out| session.begin(out));
        hand
    }

    fn enabled(scenario: &Scenario) -> Self {
        let mut hand = Self::tuning(scenario);
        for controlword in [0x06, 0x07, 0x0F] {
            hand.exchange(controlword, 0.0, 3);
        }
        hand.exchange(0x0F, 0.0, 400);
        hand
    }

    fn hear(&mut self, act: impl FnOnce(&mut Session, &mut dyn FnMut(&[u8]))) {
        let heard = &mut self.heard;
        act(&mut self.session, &mut |frame| heard.push(decode(frame).expect("a frame").message));
    }

    fn say(&mut self, message: Message) {
        self.sequence += 1;
        let mut bytes = [0; MAX_FRAME_BYTES];
        let length = encode(&Frame { sequence: self.sequence, message }, &mut bytes);
        self.hear(|session, out| assert!(session.receive(&bytes[..length], out)));
    }

    fn feedback(&self) -> FeedbackFrame {
        let newest = self.heard.iter().rev().find_map(|message| match message {
            Message::Feedback(feedback) => Some(feedback.clone()),
            _ => None,
        });
        newest.expect("a feedback")
    }

    fn exchange(&mut self, controlword: u16, speed_rad_per_s: f64, times: u32) {
        for _ in 0..times {
            let value = Value { speed_rad_per_s, ..Value::default() };
            let values = Values::from_slice(&[value]).expect("one value");
            let exchange = self.feedback().exchange;
            self.say(Message::Command(CommandFrame { exchange, controlword, compute_us: 0, values }));
        }
    }

    fn answer(&self) -> WindingAnswer {
        match self.heard.last() {
            Some(Message::WindingAnswer(answer)) => answer.clone(),
            other => panic!("no winding answer but {other:?}"),
        }
    }

    fn ask(&mut self, axis_d_voltage_v: f64, time_s: f64) -> WindingOutcome {
        self.say(Message::WindingTest(WindingTest { axis_d_voltage_v, time_s }));
        self.answer().outcome
    }

    fn read(&mut self, first: u16) -> WindingAnswer {
        self.say(Message::WindingRead(WindingRead { first }));
        self.answer()
    }

    /// Everything that the last test showed.
    fn fetched(&mut self) -> Vec<WindingSample> {
        let mut samples = Vec::new();
        loop {
            let answer = self.read(samples.len() as u16);
            assert_eq!((answer.outcome, usize::from(answer.first)), (WindingOutcome::Done, samples.len()));
            samples.extend_from_slice(answer.samples.as_slice());
            if usize::from(answer.total) <= samples.len() {
                return samples;
            }
        }
    }
}

/// R and L of the line i(k+1) = a i(k) + b v(k): a = e^(−RT/L), b = (1 − a)/R. Both currents are noisy, so the line is
/// fitted to the whole course: the one that leaves the smallest squares over trial values of L/R, R following linearly.
fn identified(samples: &[WindingSample], period_s: f64) -> (f64, f64) {
    let misfit = |time_constant_s: f64| {
        let keep = f64::exp(-period_s / time_constant_s);
        let (mut per_ohm, mut squares) = (0.0, [0.0; 3]);
        for pair in samples.windows(2) {
            per_ohm = keep * per_ohm + (1.0 - keep) * pair[0].voltage_d_v;
            let current_a = pair[1].current_d_a;
            squares =
                [squares[0] + per_ohm * per_ohm, squares[1] + per_ohm * current_a, squares[2] + current_a * current_a];
        }
        let conductance = squares[1] / squares[0];
        (squares[2] - conductance * squares[1], 1.0 / conductance)
    };
    let (mut low_s, mut high_s) = (1e-4_f64, 1e-1_f64);
    for _ in 0..60 {
        let ratio = (high_s / low_s).powf(0.381_966);
        let (left_s, right_s) = (low_s * ratio, high_s / ratio);
        if misfit(left_s).0 < misfit(right_s).0 {
            high_s = right_s;
        } else {
            low_s = left_s;
        }
    }
    let time_constant_s = (low_s * high_s).sqrt();
    let resistance_ohm = misfit(time_constant_s).1;
    (resistance_ohm, resistance_ohm * time_constant_s)
}

#[test]
fn resistance_and_inductance_are_found_from_the_answer_within_two_percent() {
    let scenario = roll();
    let mut hand = Hand::enabled(&scenario);
    assert_eq!(hand.ask(2.5, 0.03), WindingOutcome::Done);
    assert_eq!(hand.answer().state, WindingState::Running);
    assert_eq!(hand.ask(2.5, 0.03), WindingOutcome::Running);
    let counts = hand.feedback().samples.as_slice()[0].counts;
    hand.exchange(0x0F, 0.0, 300);
    let samples = hand.fetched();
    assert_eq!(hand.answer().state, WindingState::Finished);
    assert_eq!(samples.len(), 241, "240 ticks, and the one in which the last voltage acts");
    assert_eq!(samples.iter().filter(|sample| sample.voltage_d_v == 2.5).count(), 240);
    let (resistance_ohm, inductance_h) = identified(&samples, 1.0 / 8000.0);
    println!("{resistance_ohm} ohm, {inductance_h} H");
    assert!((resistance_ohm / 0.62 - 1.0).abs() < 0.02, "{resistance_ohm} ohm");
    assert!((inductance_h / 2.9e-3 - 1.0).abs() < 0.02, "{inductance_h} H");
    let moved = hand.feedback().samples.as_slice()[0].counts - counts;
    assert!(moved.abs() < 200, "it gives no torque: {moved} counts");
    assert!(hand.session.bench().drive.trip().is_none());
}

#[test]
fn the_rated_current_ends_a_test_early() {
    let mut hand = Hand::enabled(&roll());
    assert_eq!(hand.ask(40.0, 0.1), WindingOutcome::Done);
    hand.exchange(0x0F, 0.0, 400);
    let samples = hand.fetched();
    assert_eq!(hand.answer().state, WindingState::CurrentLimit);
    let rated_a = 4.1 / (1.5 * 4.0 * 0.118);
    let most_a = samples.iter().map(|sample| sample.current_d_a).fold(0.0, f64::max);
    let rise_of_a_tick_a = 40.0 / 2.9e-3 / 8000.0;
    assert!(most_a < rated_a + 2.0 * rise_of_a_tick_a && 1 < samples.len() && samples.len() < 10, "{most_a} A");
}

#[test]
fn leaving_operation_enabled_ends_a_test() {
    let mut hand = Hand::enabled(&roll());
    assert_eq!(hand.ask(2.0, 0.1), WindingOutcome::Done);
    hand.exchange(0x0F, 0.0, 10);
    hand.exchange(0x07, 0.0, 10);
    assert_eq!(hand.read(0).state, WindingState::Stopped);
}

#[test]
fn what_cannot_be_done_is_refused_with_the_reason() {
    let scenario = roll();
    let mut hand = Hand::tuning(&scenario);
    assert_eq!(hand.ask(2.0, 0.03), WindingOutcome::NotEnabled);
    assert_eq!((hand.answer().state, hand.read(0).total), (WindingState::None, 0));
    let mut hand = Hand::enabled(&scenario);
    for (voltage_v, time_s) in [(0.0, 0.03), (324.0, 0.03), (2.0, 0.0), (2.0, -1.0), (2.0, 1.1)] {
        assert_eq!(hand.ask(voltage_v, time_s), WindingOutcome::OutOfRange, "{voltage_v} V for {time_s} s");
    }
    hand.exchange(0x0F, 20.0, 2000);
    assert_eq!(hand.ask(2.0, 0.03), WindingOutcome::NotAtRest);
    hand.say(Message::Done);
    let mut hand = Hand::enabled(&read(&ROLL.replacen("kind = \"pmsm\"", "kind = \"ideal_torque\"", 1)));
    assert_eq!(hand.ask(2.0, 0.03), WindingOutcome::NotHere);
}
