//! The promise: an answer that is delayed on purpose acts exactly so many ticks later, the command before it holding
//! meanwhile; the delays follow from the seed, so that the same run comes again to the bit.
//!
//! A delay of the answer and a latency of the sensor are one dead time to a loop that is disturbed from outside at rest:
//! that gives the delayed runs an equal to be compared with. Start reading at [`examined`].

use plantstand::base::recording::{Row, Signal};
use plantstand::bench::session::{End, Session};
use plantstand::scenario::{Scenario, read};
use plantstand::trial::{examination, phases};
use plantstand::wire::codec::{decode, encode};
use plantstand::wire::layout::MAX_FRAME_BYTES;
use plantstand::wire::message::{
    Frame, Message, Phase, PhaseKind, TorqueCommandFrame, TorqueFeedbackFrame, TorqueValue, TorqueValues,
};

/// The roll with its loop closed outside, a sensor without noise, and dough that pushes it while it should stand.
fn pushed(latency_ticks: u32, impairment: &str) -> Scenario {
    let text = include_str!("../scenarios/torque/dough-sheeter.toml");
    let changes = [
        // A winding's currents are turned by the sample's angle, so that there a latency is more than a delay.
        ("kind = \"pmsm\"", "kind = \"ideal_torque\"\nlag_s = 1.9e-4"),
        ("noise_counts_rms = 6", "noise_counts_rms = 0"),
        ("latency_ticks = 1", &format!("latency_ticks = {latency_ticks}")),
        ("speed_rpm = 400", "load_torque_nm = 1.0"),
        ("resisting_torque_nm = 1.5", "load_torque_nm = -0.5"),
        ("end_s = 3.2", "end_s = 2.3"),
    ];
    let mut text = changes.iter().fold(text.to_owned(), |text, (from, to)| {
        assert!(text.contains(from), "{from} is not in the scenario");
        text.replacen(from, to, 1)
    });
    let (start, _) = text.split_once("[[limit]]").expect("the scenario has limits");
    text = format!("{start}[[limit]]\nmeasure = \"torque_rms_percent\"\nduring = \"stand still\"\nmax = 100\n");
    let mut scenario = read("test.toml", &text).expect("the scenario is sound");
    scenario.impairment = Some(impairment.parse().expect("a specification"));
    scenario
}

fn framed(message: Message) -> Vec<u8> {
    let mut bytes = [0; MAX_FRAME_BYTES];
    let length = encode(&Frame { sequence: 1, message }, &mut bytes);
    bytes[..length].to_vec()
}

/// A proportional controller on the angle and its change, towards standing still.
fn answer(feedback: &TorqueFeedbackFrame, before: &mut i64) -> Vec<u8> {
    let counts = feedback.samples.as_slice().last().map_or(0, |sample| sample.counts);
    let change = counts - std::mem::replace(before, counts);
    let torque_nm = -1e-5 * counts as f64 - 1e-2 * change as f64;
    let values = TorqueValues::from_slice(&[TorqueValue { torque_nm, feedforward_nm: 0.0 }]).expect("one value");
    let (exchange, controlword) = (feedback.exchange, 0x0F);
    framed(Message::TorqueCommand(TorqueCommandFrame { exchange, controlword, compute_us: 0, values }))
}

/// The examination of the nominal machine through that controller: its rows, and how many answers were overtaken.
fn examined(scenario: &Scenario, seed: u64) -> (Vec<Row>, u64) {
    let mut session = phases::tuning(scenario, seed);
    examination::prepare(&mut session, scenario, 0, &scenario.settings, seed).expect("there is a nominal machine");
    let mut out: Vec<Vec<u8>> = Vec::new();
    session.begin(&mut |frame| out.push(frame.to_vec()));
    let mut before = 0;
    while let Some(frame) = out.pop() {
        let said = match decode(&frame).expect("the bench speaks the protocol").message {
            Message::Phase(phase) => acknowledged(phase),
            Message::TorqueFeedback(feedback) => answer(&feedback, &mut before),
            other => panic!("the bench said {other:?}"),
        };
        session.receive(&said, &mut |frame| out.push(frame.to_vec()));
    }
    assert_eq!(session.end(), Some(&End::Finished));
    (rows(&session), session.counts.refused.get("stale_command").copied().unwrap_or(0))
}

fn acknowledged(phase: Phase) -> Vec<u8> {
    assert_eq!(phase, Phase { phase: PhaseKind::Examination, corner: 0 });
    framed(Message::PhaseAcknowledgement(phase))
}

fn rows(session: &Session) -> Vec<Row> {
    session.taken.rows.clone()
}

/// What the machine does, to the bit; what the sensor shows differs where it has another latency.
fn motion(rows: &[Row]) -> Vec<[u64; 4]> {
    const TRUE: [Signal; 4] = [Signal::MotorAngle, Signal::MotorSpeed, Signal::LoadAngle, Signal::LoadSpeed];
    rows.iter().map(|row| TRUE.map(|signal| row[signal as usize].to_bits())).collect()
}

/// Three ticks of delay behind a latency of one are a latency of four, and other than none.
#[test]
fn a_delay_acts_as_an_equal_latency_would() {
    let (delayed, overtaken) = examined(&pushed(1, "delay=3"), 20);
    let (late, _) = examined(&pushed(4, "none"), 20);
    let (prompt, _) = examined(&pushed(1, "none"), 20);
    assert!(motion(&delayed) == motion(&late), "a delay of three ticks is not a latency of three ticks");
    assert!(motion(&delayed) != motion(&prompt));
    assert_eq!(overtaken, 0);
    let fastest = delayed.iter().map(|row| row[Signal::MotorSpeed as usize].abs()).fold(0.0, f64::max);
    assert!(0.1 < fastest, "nothing moved: {fastest} rad/s");
}

/// Jitter and reordering come again from the same seed to the bit, and otherwise from another; answers that are overtaken
/// are counted and do not act.
#[test]
fn jitter_and_reordering_follow_from_the_seed() {
    let scenario = pushed(1, "jitter=3,reorder=5");
    let (rows, overtaken) = examined(&scenario, 20);
    let (again, as_many) = examined(&scenario, 20);
    assert!(motion(&rows) == motion(&again) && overtaken == as_many && 100 < overtaken, "{overtaken} {as_many}");
    let (others, _) = examined(&scenario, 21);
    assert!(motion(&rows) != motion(&others));
}
