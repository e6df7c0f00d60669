//! The promise: a speed controller outside acts as the drive's own would. From the same samples it gives the same motion
//! to the bit, in the same one tick; it is told of every phase, waits for none that it did not acknowledge, and whatever it
//! loses, sends twice or leaves undone moves nothing that it should not.
//!
//! The carried controller runs in a thread and talks over channels; everything else is driven frame by frame. Start
//! reading at [`examined`].

use plantstand::base::recording::{Recording, Row, Signal};
use plantstand::bench::frames;
use plantstand::bench::session::{End, Session};
use plantstand::drive::protection::Trip;
use plantstand::scenario::{Commands, Pace, Scenario};
use plantstand::trial::examination::{examine, found, prepare};
use plantstand::trial::phases;
use plantstand::trial::replay::replay;
use plantstand::trial::result::TuningEnd;
use plantstand::wire::codec::decode;
use plantstand::wire::message::{
    Message, Open, Phase, PhaseKind, Text, TorqueCommandFrame, TorqueFeedbackFrame, TorqueSample, TorqueValue,
    TorqueValues,
};

#[path = "link_torque/channels.rs"]
mod channels;

use channels::{Carried, framed};

const SEED: u64 = 5;

/// The roll with the speed loop outside.
fn roll() -> Scenario {
    let path = concat!(env!("CARGO_MANIFEST_DIR"), "/scenarios/torque/dough-sheeter.toml");
    let text = std::fs::read_to_string(path).expect("a shipped scenario");
    let scenario = plantstand::scenario::read("the roll", &text).expect("a sound scenario");
    assert_eq!(scenario.commands, Commands::Torque);
    scenario
}

/// Every row of the examination of a machine through the carried controller, over channels.
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
fn the_same_controller_outside_moves_the_machine_as_inside_to_the_bit() {
    let scenario = roll();
    for number in 0..=2 {
        let inside = examine(&scenario, number, &scenario.settings, SEED).expect("a machine");
        let outside = examined(&scenario, number);
        // What the controller gave is before the filter inside and behind it outside; everything else is the same.
        let shared = |row: &Row| {
            let same = |signal: &&Signal| !matches!(signal, Signal::ControllerTorque | Signal::SummedTorque);
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

/// A session whose outside is the test itself.
struct Hand {
    session: Session,
    heard: Vec<Message>,
    sequence: u32,
}

impl Hand {
    /// At an examination of the nominal machine that is announced.
    fn at_examination(scenario: &Scenario) -> Self {
        let mut session = phases::tuning(scenario, SEED);
        let settings = scenario.settings;
        prepare(&mut session, scenario, 0, &settings, SEED).expect("a machine");
        let mut hand = Self { session, heard: Vec::new(), sequence: 0 };
        hand.hear(|session, out| session.begin(out));
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

    fn feedback(&self) -> TorqueFeedbackFrame {
        let newest = self.heard.iter().rev().find_map(|message| match message {
            Message::TorqueFeedback(feedback) => Some(feedback.clone()),
            _ => None,
        });
        newest.expect("a feedback")
    }

    fn answer(&mut self, torque_nm: f64) -> bool {
        let exchange = self.feedback().exchange;
        self.say(command(exchange, torque_nm))
    }

    fn refused(&self, reason: &str) -> u64 {
        self.session.counts.refused.get(reason).copied().unwrap_or(0)
    }
}

fn command(exchange: u32, torque_nm: f64) -> Message {
    let values = TorqueValues::from_slice(&[TorqueValue { torque_nm, feedforward_nm: 0.0 }]).expect("one value");
    Message::TorqueCommand(TorqueCommandFrame { exchange, controlword: 0x0F, compute_us: 7, values })
}

#[test]
fn no_tick_runs_before_the_phase_is_acknowledged_and_the_announcement_is_repeated_until_then() {
    let mut hand = Hand::at_examination(&roll());
    for _ in 0..3 {
        hand.hear(|session, out| session.resend(out));
    }
    let announced = Message::Phase(Phase { phase: PhaseKind::Examination, corner: 0 });
    assert!(hand.heard == vec![announced; 4]);
    assert!(!hand.say(command(0, 1.0)), "nobody was asked yet");
    assert!(!hand.acknowledge(PhaseKind::Tuning), "another phase was announced");
    assert_eq!((hand.session.tick(), hand.refused("not_asked_for")), (0, 1));
    assert!(hand.acknowledge(PhaseKind::Examination));
    assert_eq!(hand.feedback().samples.as_slice().len(), 1);
    assert!(hand.acknowledge(PhaseKind::Examination), "said again it moves nothing");
    assert_eq!(hand.session.tick(), 1);
}

#[test]
fn the_answer_to_a_sample_acts_from_the_next_tick_and_is_limited_by_the_drive() {
    let mut hand = Hand::at_examination(&roll());
    hand.acknowledge(PhaseKind::Examination);
    let asked = [1.0, -2.5, 100.0, 0.0];
    for (tick, torque_nm) in asked.into_iter().enumerate() {
        assert_eq!(hand.feedback().first_tick, tick as u64);
        assert!(hand.answer(torque_nm));
        assert_eq!(hand.feedback().samples.as_slice()[0].torque_nm, torque_nm.min(8.0), "in tick {}", tick + 1);
    }
    assert_eq!(hand.session.counts.compute_max_us, 7);
}

#[test]
fn a_command_of_the_other_kind_a_repeated_one_and_a_late_done_move_nothing() {
    let mut hand = Hand::at_examination(&roll());
    hand.acknowledge(PhaseKind::Examination);
    hand.answer(1.0);
    let tick = hand.session.tick();
    assert!(!hand.say(command(0, 5.0)), "answered already");
    assert!(!hand.say(Message::Done));
    let speed = plantstand::wire::message::CommandFrame {
        exchange: 1,
        controlword: 0x0F,
        compute_us: 0,
        values: plantstand::wire::message::Values::new(),
    };
    assert!(!hand.say(Message::Command(speed)));
    let counts = ["stale_command", "not_asked_for", "not_for_this_run"].map(|reason| hand.refused(reason));
    assert_eq!((hand.session.tick(), counts), (tick, [1, 1, 1]));
}

#[test]
fn a_client_that_opens_again_gets_the_phase_and_after_its_word_the_feedback_that_waits() {
    let mut hand = Hand::at_examination(&roll());
    hand.acknowledge(PhaseKind::Examination);
    for _ in 0..5 {
        hand.answer(0.5);
    }
    let waiting = hand.feedback();
    let heard = hand.heard.len();
    assert!(hand.say(Message::Open(Open { token: [0; 16], name: Text::new("again") })));
    let kinds: Vec<&str> = hand.heard[heard..].iter().map(|message| message.kind().name()).collect();
    assert_eq!(kinds, ["accept", "phase"]);
    assert!(!hand.say(command(waiting.exchange, 1.0)), "it has not acknowledged");
    hand.acknowledge(PhaseKind::Examination);
    assert!(hand.feedback() == waiting);
    assert!(hand.answer(0.5));
    assert_eq!(hand.session.counts.opened_again, 1);
}

#[test]
fn a_scenario_that_forbids_it_refuses_to_open_again() {
    let mut scenario = roll();
    scenario.timing.may_reset = false;
    let mut hand = Hand::at_examination(&scenario);
    hand.acknowledge(PhaseKind::Examination);
    hand.answer(0.5);
    assert!(!hand.say(Message::Open(Open { token: [0; 16], name: Text::new("again") })));
    assert_eq!(hand.heard.last().expect("an answer").kind().name(), "refuse");
    assert!(hand.answer(0.5), "the old one goes on");
}

/// The roll whose controller is gone for 10 ms at 50 ms.
fn roll_with_a_reset() -> Scenario {
    let path = concat!(env!("CARGO_MANIFEST_DIR"), "/scenarios/torque/dough-sheeter.toml");
    let text = std::fs::read_to_string(path).expect("a shipped scenario");
    let entry = "[[programme]]\nname = \"brown-out\"\nat_s = 0.05\ncontroller_reset_s = 0.01\n\n";
    let (before, after) = text.split_once("[[programme]]").expect("a programme");
    plantstand::scenario::read("the roll", &format!("{before}{entry}[[programme]]{after}")).expect("a sound scenario")
}

#[test]
fn a_controller_that_is_reset_in_mid_run_gives_no_torque_until_it_is_back() {
    let mut hand = Hand::at_examination(&roll_with_a_reset());
    hand.acknowledge(PhaseKind::Examination);
    while hand.heard.last().is_some_and(|message| message.kind().name() == "torque_feedback") {
        assert!(hand.answer(1.0));
    }
    let reset = Message::Phase(Phase { phase: PhaseKind::Reset, corner: 0 });
    assert!((hand.heard.last(), hand.session.tick()) == (Some(&reset), 400));
    assert!(!hand.answer(1.0), "its question is forgotten");
    assert!(hand.acknowledge(PhaseKind::Reset));
    assert_eq!(hand.feedback().first_tick, 479, "asked again when its torque may act again, at 60 ms");
    let torque = Signal::TorqueCommand as usize;
    let rows = hand.session.taken.rows.clone();
    assert!(rows[..400].iter().all(|row| row[torque] == 1.0) && rows[400..].iter().all(|row| row[torque] == 0.0));
    while hand.session.end().is_none() {
        assert!(hand.answer(1.0));
    }
    assert_eq!(hand.session.end(), Some(&End::Finished));
    assert_eq!(hand.session.taken.rows.len(), 25_601);
}

#[test]
fn an_outside_that_leaves_or_falls_silent_leaves_no_moving_axis() {
    for silent in [false, true] {
        let mut hand = Hand::at_examination(&roll());
        hand.acknowledge(PhaseKind::Examination);
        for _ in 0..400 {
            hand.answer(2.0);
        }
        let speed = |hand: &Hand| hand.session.bench().plant.speed_rad_per_s(0);
        assert!(10.0 < speed(&hand), "it turns");
        if silent {
            hand.session.fall_silent()
        } else {
            hand.session.leave("left".to_owned())
        }
        assert!(speed(&hand).abs() < 1.0, "{} rad/s", speed(&hand));
        assert!(!hand.session.bench().drive.torque_may_act());
    }
}

/// On the clock: a hand whose examination is begun and acknowledged.
fn paced() -> Hand {
    let mut scenario = roll();
    scenario.timing.pace = Pace::RealTime;
    let mut hand = Hand::at_examination(&scenario);
    hand.acknowledge(PhaseKind::Examination);
    hand
}

fn tick(hand: &mut Hand) -> TorqueSample {
    hand.hear(|session, out| {
        session.tick_on(out);
    });
    hand.feedback().samples.as_slice()[0]
}

#[test]
fn on_the_clock_an_answer_in_time_acts_as_in_lockstep_and_a_late_one_from_the_next_tick() {
    let mut hand = paced();
    assert_eq!(tick(&mut hand).torque_nm, 0.0);
    hand.answer(1.0);
    assert_eq!(tick(&mut hand).torque_nm, 1.0, "in time");
    assert_eq!(tick(&mut hand).torque_nm, 1.0, "no answer came: the last one holds");
    assert_eq!(tick(&mut hand).torque_nm, 1.0);
    assert!(hand.say(command(1, 2.0)), "late, but newer than the one that stands");
    assert_eq!(tick(&mut hand).torque_nm, 2.0);
    assert!(!hand.say(command(0, 3.0)), "older than the one that stands");
    assert!(!hand.say(command(9999, 3.0)), "of an exchange that was not yet");
    assert_eq!(tick(&mut hand).torque_nm, 2.0);
    assert_eq!((hand.refused("stale_command"), hand.session.counts.silent_ticks), (2, 4));
}

#[test]
fn on_the_clock_silence_beyond_the_scenarios_ticks_is_a_quick_stop_that_says_so() {
    let mut hand = paced();
    for _ in 0..400 {
        tick(&mut hand);
        hand.answer(2.0);
    }
    let speed = hand.session.bench().plant.speed_rad_per_s(0);
    assert!(10.0 < speed);
    for silent in 1..=40 {
        tick(&mut hand);
        assert_eq!(hand.session.bench().drive.trip(), None, "after {silent} silent ticks");
    }
    for _ in 0..2 {
        tick(&mut hand);
    }
    assert_eq!(hand.session.bench().drive.trip(), Some(Trip::CommanderSilent));
    for _ in 0..4000 {
        tick(&mut hand);
    }
    assert!(hand.session.bench().plant.speed_rad_per_s(0).abs() < 1.0);
    assert!(!hand.session.bench().drive.torque_may_act());
}

#[test]
fn a_run_on_the_clock_replays_to_the_same_bits_from_the_ticks_in_which_its_frames_came() {
    let mut scenario = roll();
    scenario.timing.pace = Pace::RealTime;
    let mut hand = Hand { session: phases::tuning(&scenario, SEED), heard: Vec::new(), sequence: 0 };
    hand.hear(|session, out| session.begin(out));
    hand.acknowledge(PhaseKind::Tuning);
    for _ in 0..7 {
        tick(&mut hand);
    }
    hand.say(Message::Done);
    hand.session.prepare_power_cycle();
    hand.hear(|session, out| session.begin(out));
    hand.acknowledge(PhaseKind::PowerCycle);
    let settings = scenario.settings;
    prepare(&mut hand.session, &scenario, 0, &settings, SEED).expect("a machine");
    hand.session.taken.rows.clear();
    hand.hear(|session, out| session.begin(out));
    hand.acknowledge(PhaseKind::Examination);
    let mut number = 0;
    while hand.session.end().is_none() {
        hand.hear(|session, out| {
            session.tick_on(out);
        });
        number += 1;
        // Some answers never come, some come later.
        if number % 3 != 0 && hand.session.end().is_none() {
            hand.answer(0.01 * f64::from(number % 50));
        }
    }
    let rows = hand.session.taken.rows.clone();
    let mut recording = Recording::with_capacity(scenario.timing.rate, rows.len());
    rows.iter().for_each(|row| recording.push(row));
    let then = found(&scenario, 0, &hand.session, recording).expect("a machine");
    let bytes = [frames::TITLE, &hand.session.taken.frames].concat();
    let (tuned, examined) =
        replay(&scenario, SEED, &[0], &bytes, TuningEnd::Done, "memory".to_owned()).expect("frames of a record");
    assert_eq!(tuned.end, End::Done);
    let again = examined.expect("an examination");
    assert!(then.rows().eq(again.runs[0].rows()));
    assert_eq!(then.rows().count(), 25_601);
}

#[test]
fn a_controller_that_computes_too_long_by_its_own_account_fails() {
    let mut scenario = roll();
    scenario.timing.compute_limit_us = Some(5);
    let mut tuned = {
        let mut session = phases::tuning(&scenario, SEED);
        plantstand::trial::phases::power_cycle(&scenario, &mut session, End::Done, Default::default(), "x".to_owned())
    };
    let reasons = |tuned: &phases::Tuned| plantstand::trial::conduct::breaches(&scenario, tuned).len();
    tuned.link.compute_max_us = 5;
    let held = reasons(&tuned);
    tuned.link.compute_max_us = 6;
    assert_eq!(reasons(&tuned), held + 1);
}
