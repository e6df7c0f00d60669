//! The promise of a run in which the outside closes the current loop too: the drive's own loops computed outside move the
//! machine as they do inside, to the bit, over every carrier; voltages act one tick after their sample, no longer than the
//! bus gives; a quick stop and a lost controller are the drive's.
//!
//! Start reading at the first test.

use plantstand::base::recording::{Row, Signal};
use plantstand::bench::session::{End, Session};
use plantstand::drive::protection::Trip;
use plantstand::plant::motor::MotorKind;
use plantstand::scenario::{Commands, Pace, Scenario};
use plantstand::trial::examination::{examine, prepare};
use plantstand::trial::phases;
use plantstand::trial::result::{TrialResult, Verdict};
use plantstand::wire::codec::decode;
use plantstand::wire::message::{
    Message, Phase, PhaseKind, TorqueCommandFrame, TorqueValues, VoltageCommandFrame, VoltageFeedbackFrame,
    VoltageSample, VoltageValue, VoltageValues,
};

#[path = "link_torque/channels.rs"]
mod channels;
#[path = "trial_runs/program.rs"]
mod program;

use channels::{Carried, framed};
use program::Ground;

const SEED: u64 = 5;
const ROLL: &str = include_str!("../scenarios/voltage/dough-sheeter.toml");

/// The roll with both loops outside.
fn roll() -> Scenario {
    let scenario = plantstand::scenario::read("the roll", ROLL).expect("a sound scenario");
    assert_eq!(scenario.commands, Commands::Voltage);
    scenario
}

fn examined(scenario: &Scenario, number: usize) -> Vec<Row> {
    let mut carried = Carried::start(scenario, SEED);
    carried.through_tuning();
    let settings = scenario.settings;
    prepare(&mut carried.session, scenario, number, &settings, SEED).expect("a machine");
    let (end, rows) = carried.run();
    assert_eq!(end, End::Finished);
    rows
}

#[test]
fn the_same_loops_outside_move_the_machine_as_inside_to_the_bit() {
    let scenario = roll();
    // With a low bus the voltage is at its limit again and again: there the sums have to stand alike.
    let mut low_bus = roll();
    let MotorKind::Pmsm(pmsm) = &mut low_bus.machine.plant.motor else { panic!("a motor with a winding") };
    pmsm.bus_v = 45.0;
    for (scenario, numbers) in [(&scenario, 0..=2), (&low_bus, 0..=0)] {
        for number in numbers {
            let inside = examine(scenario, number, &scenario.settings, SEED).expect("a machine");
            let outside = examined(scenario, number);
            // Outside there is no torque command: what the current makes stands in its place.
            let commands = [Signal::ControllerTorque, Signal::SummedTorque, Signal::TorqueCommand];
            let shared = |row: &Row| {
                let same = |signal: &&Signal| !commands.contains(*signal);
                Signal::ALL.iter().filter(same).map(|signal| row[*signal as usize].to_bits()).collect::<Vec<u64>>()
            };
            let inside: Vec<Row> = inside.rows().collect();
            assert_eq!(inside.len(), outside.len());
            for (tick, (inside, outside)) in inside.iter().zip(&outside).enumerate() {
                assert_eq!(shared(inside), shared(outside), "machine {number} in tick {tick}");
            }
            assert!(outside.iter().any(|row| 20.0 < row[Signal::MotorSpeed as usize]));
        }
    }
}

#[test]
fn over_udp_and_over_a_pty_the_trial_has_the_same_bits_and_passes() {
    let ground = Ground::new(ROLL);
    let printed = |link: &str| -> TrialResult {
        let ran = ground.score(&["--link", link, "--no-record", "--json", "-"]);
        serde_json::from_str(&ran.out).unwrap_or_else(|error| panic!("{error}: {ran:?}"))
    };
    let [over_udp, over_pty] = ["udp", "pty"].map(printed);
    assert!(over_pty.link.link.starts_with("serial:/dev/pts/"), "{:?}", over_pty.link);
    assert_eq!(over_udp.verdict, Verdict::Pass, "{:?}", over_udp.reasons);
    assert_eq!(over_pty.bits_sha256, over_udp.bits_sha256);
    assert_eq!(format!("{:?}", over_pty.measures), format!("{:?}", over_udp.measures));
    let kept = ground.score(&["--record", "kept"]);
    assert_eq!((kept.status, ground.result("kept").bits_sha256), (Some(0), over_udp.bits_sha256));
    assert!(ground.path("kept").is_dir());
    assert_eq!(ground.run(&["replay", "kept"]).status, Some(0), "a record replays to the bit");
    let wrong = ground.score(&["--by", "pi", "--no-record"]);
    assert!(wrong.error.contains("here the outside commands voltage; allowed: current_pi"), "{wrong:?}");
}

/// A session whose outside is the test itself.
struct Hand {
    session: Session,
    heard: Vec<Message>,
    sequence: u32,
}

impl Hand {
    /// At an examination of the nominal machine that is acknowledged.
    fn at_examination(scenario: &Scenario) -> Self {
        let mut session = phases::tuning(scenario, SEED);
        let settings = scenario.settings;
        prepare(&mut session, scenario, 0, &settings, SEED).expect("a machine");
        let mut hand = Self { session, heard: Vec::new(), sequence: 0 };
        hand.hear(|session, out| session.begin(out));
        assert!(hand.acknowledge(PhaseKind::Examination));
        hand
    }

    fn hear(&mut self, act: impl FnOnce(&mut Session, &mut dyn FnMut(&[u8]))) {
        let heard = &mut self.heard;
        act(&mut self.session, &mut |frame| heard.push(decode(frame).expect("a frame").message));
    }

    fn say(&mut self, message: Message) -> bool {
        self.sequence += 1;
        let bytes = framed(self.sequence, message);
        let mut life = false;
        self.hear(|session, out| life = session.receive(&bytes, out));
        life
    }

    fn acknowledge(&mut self, kind: PhaseKind) -> bool {
        self.say(Message::PhaseAcknowledgement(Phase { phase: kind, corner: 0 }))
    }

    fn feedback(&self) -> VoltageFeedbackFrame {
        let newest = self.heard.iter().rev().find_map(|message| match message {
            Message::VoltageFeedback(feedback) => Some(feedback.clone()),
            _ => None,
        });
        newest.expect("a feedback")
    }

    fn sample(&self) -> VoltageSample {
        self.feedback().samples.as_slice()[0]
    }

    fn answer(&mut self, voltage_v: [f64; 2]) -> bool {
        self.answer_with(0x0F, &[voltage_v])
    }

    fn answer_with(&mut self, controlword: u16, voltages_v: &[[f64; 2]]) -> bool {
        let values: Vec<VoltageValue> = voltages_v
            .iter()
            .map(|[voltage_d_v, voltage_q_v]| VoltageValue { voltage_d_v: *voltage_d_v, voltage_q_v: *voltage_q_v })
            .collect();
        let values = VoltageValues::from_slice(&values).expect("few values");
        let exchange = self.feedback().exchange;
        self.say(Message::VoltageCommand(VoltageCommandFrame { exchange, controlword, compute_us: 7, values }))
    }

    fn voltage_v(&self) -> [f64; 2] {
        let sample = self.sample();
        [sample.voltage_d_v, sample.voltage_q_v]
    }

    fn speed_rad_per_s(&self) -> f64 {
        self.session.bench().plant.speed_rad_per_s(0)
    }
}

#[test]
fn the_answer_to_a_sample_acts_from_the_next_tick_shortened_to_what_the_bus_gives() {
    let mut hand = Hand::at_examination(&roll());
    for (tick, asked) in [[1.0, -2.5], [-3.0, 4.0], [0.0, 0.0]].into_iter().enumerate() {
        assert_eq!(hand.feedback().first_tick, tick as u64);
        assert!(hand.answer(asked));
        assert_eq!(hand.voltage_v(), asked, "in tick {}", tick + 1);
    }
    let bus_v = hand.sample().bus_v;
    assert_eq!(bus_v, 560.0);
    hand.answer([-3e3, 4e3]);
    let [d, q] = hand.voltage_v();
    assert!((d / q + 0.75).abs() < 1e-12, "its direction stays: {d} V, {q} V");
    assert!((d.hypot(q) - bus_v / 3_f64.sqrt()).abs() < 1e-9, "{} V", d.hypot(q));
    // Empty: the last one stays.
    hand.answer([2.0, 1.0]);
    assert!(hand.answer_with(0x0F, &[]));
    assert_eq!(hand.voltage_v(), [2.0, 1.0]);
}

/// Along the magnet a voltage step gives V/R (1 − e^(−tR/L)) and no torque; its current is seen a tick after it began to act.
#[test]
fn a_voltage_along_the_magnet_gives_the_windings_current_in_the_sample() {
    let mut hand = Hand::at_examination(&roll());
    hand.answer([2.0, 0.0]);
    assert_eq!((hand.voltage_v(), hand.sample().current_d_a.abs() < 1e-3), ([2.0, 0.0], true));
    for tick in 1..40 {
        hand.answer([2.0, 0.0]);
        let time_s = f64::from(tick) / 8000.0;
        let expected_a = 2.0 / 0.62 * (1.0 - f64::exp(-time_s * 0.62 / 2.9e-3));
        let found_a = hand.sample().current_d_a;
        assert!((found_a - expected_a).abs() < 2e-3 * expected_a, "tick {tick}: {found_a} A for {expected_a} A");
        assert!(hand.sample().current_q_a.abs() < 0.01);
    }
}

#[test]
fn commands_of_other_kinds_move_nothing() {
    let mut hand = Hand::at_examination(&roll());
    hand.answer([0.0, 1.0]);
    let tick = hand.session.tick();
    let torque = TorqueCommandFrame { exchange: 1, controlword: 0x0F, compute_us: 0, values: TorqueValues::new() };
    assert!(!hand.say(Message::TorqueCommand(torque)));
    assert_eq!((hand.session.tick(), hand.session.counts.refused.get("not_for_this_run")), (tick, Some(&1)));
}

/// The motor turned up by a plain P controller with its back-EMF fed forward.
fn turned_up(hand: &mut Hand) {
    for _ in 0..1200 {
        let sample = hand.sample();
        let wanted_v = 4.0 * 0.118 * sample.measured_speed_rad_per_s + 4.0 * (3.0 - sample.current_q_a);
        hand.answer([-4.0 * sample.current_d_a, wanted_v]);
    }
    assert!(20.0 < hand.speed_rad_per_s(), "{} rad/s", hand.speed_rad_per_s());
}

#[test]
fn a_quick_stop_is_the_drives_own_whatever_voltage_is_asked_for() {
    let mut hand = Hand::at_examination(&roll());
    turned_up(&mut hand);
    for _ in 0..4000 {
        hand.answer_with(0x02, &[[0.0, 300.0]]);
        if !hand.session.bench().drive.torque_may_act() {
            break;
        }
    }
    assert!(!hand.session.bench().drive.torque_may_act());
    assert!(hand.speed_rad_per_s().abs() < 1.0, "{} rad/s", hand.speed_rad_per_s());
    hand.answer_with(0x02, &[[0.0, 300.0]]);
    assert_eq!(hand.voltage_v(), [0.0, 0.0], "the inverter is blocked");
}

#[test]
fn an_outside_that_leaves_or_falls_silent_leaves_no_moving_axis() {
    for silent in [false, true] {
        let mut hand = Hand::at_examination(&roll());
        turned_up(&mut hand);
        if silent {
            hand.session.fall_silent();
        } else {
            hand.session.leave("left".to_owned());
        }
        assert!(hand.speed_rad_per_s().abs() < 1.0, "{} rad/s", hand.speed_rad_per_s());
        assert!(!hand.session.bench().drive.torque_may_act());
    }
}

#[test]
fn while_the_controller_is_gone_the_drive_lets_no_torque_act() {
    let entry = "[[programme]]\nname = \"brown-out\"\nat_s = 0.15\ncontroller_reset_s = 0.02\n\n[[programme]]";
    let text = ROLL.replacen("[[programme]]", entry, 1);
    let mut hand = Hand::at_examination(&plantstand::scenario::read("the roll", &text).expect("a sound scenario"));
    turned_up(&mut hand);
    let reset = Message::Phase(Phase { phase: PhaseKind::Reset, corner: 0 });
    assert!(hand.heard.last() == Some(&reset), "at 0.15 s it was reset");
    let before = hand.speed_rad_per_s();
    assert!(hand.acknowledge(PhaseKind::Reset));
    let after = hand.sample();
    assert!(after.current_q_a.abs() < 0.05, "{} A", after.current_q_a);
    assert!(hand.session.bench().drive.trip().is_none());
    assert!(0.5 * before < hand.speed_rad_per_s() && hand.speed_rad_per_s() < before, "it coasts");
}

#[test]
fn on_the_clock_the_newest_command_acts_from_the_next_tick_and_silence_is_a_quick_stop() {
    let mut scenario = roll();
    scenario.timing.pace = Pace::RealTime;
    let mut hand = Hand::at_examination(&scenario);
    let tick = |hand: &mut Hand| {
        hand.hear(|session, out| {
            session.tick_on(out);
        });
        hand.voltage_v()
    };
    assert_eq!(tick(&mut hand), [0.0, 0.0]);
    hand.answer([1.0, 2.0]);
    assert_eq!(tick(&mut hand), [1.0, 2.0], "in time");
    assert_eq!(tick(&mut hand), [1.0, 2.0], "no answer came: the last one holds");
    for _ in 0..42 {
        tick(&mut hand);
    }
    assert_eq!(hand.session.bench().drive.trip(), Some(Trip::CommanderSilent));
}
