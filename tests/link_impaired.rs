//! The promise: an impaired link loses, repeats and corrupts frames as often as it was asked to, from the seed; in
//! lockstep that costs repetitions at once, no waiting and no bit; and the result says what was done, so that a replay
//! does it again.
//!
//! Clock and line are made here, except where the built program runs. Start reading at [`run`].

use std::collections::VecDeque;
use std::sync::{Arc, Mutex};
use std::time::Duration;

use plantstand::base::impairment::Impairment;
use plantstand::bench::impairment::{Harm, ImpairedLink};
use plantstand::bench::pacing::{Patience, Watch, lockstep};
use plantstand::bench::port::{Clock, Gone, Link, RESEND_AFTER};
use plantstand::bench::session::{End, Session};
use plantstand::trial::phases;
use plantstand::trial::result::{ImpairmentFacts, TrialResult, Verdict};
use plantstand::wire::codec::{decode, encode};
use plantstand::wire::layout::MAX_FRAME_BYTES;
use plantstand::wire::message::{CommandFrame, Frame, Message, Value, Values};

#[path = "trial_runs/program.rs"]
mod program;
#[path = "trial_runs/scenario_text.rs"]
mod scenario_text;

use program::Ground;

/// A method at the other end of a made line, and the time that passes when the bench waits.
#[derive(Clone, Default)]
struct Line(Arc<Mutex<Ends>>);

#[derive(Default)]
struct Ends {
    waited: Duration,
    to_method: Vec<Vec<u8>>,
    from_method: VecDeque<Vec<u8>>,
    answers: bool,
}

impl Line {
    fn at<T>(&self, look: impl FnOnce(&mut Ends) -> T) -> T {
        look(&mut self.0.lock().expect("no test has panicked in here"))
    }
}

impl Link for Line {
    fn send(&mut self, frame: &[u8]) -> Result<(), Gone> {
        self.at(|ends| {
            ends.to_method.push(frame.to_vec());
            if ends.answers {
                ends.from_method.extend(answer(frame));
            }
        });
        Ok(())
    }

    fn receive(&mut self, buffer: &mut [u8]) -> Result<Option<usize>, Gone> {
        let came = self.poll(buffer)?;
        if came.is_none() {
            self.at(|ends| ends.waited += RESEND_AFTER);
        }
        Ok(came)
    }

    fn poll(&mut self, buffer: &mut [u8]) -> Result<Option<usize>, Gone> {
        let Some(frame) = self.at(|ends| ends.from_method.pop_front()) else { return Ok(None) };
        buffer[..frame.len()].copy_from_slice(&frame);
        Ok(Some(frame.len()))
    }
}

impl Clock for Line {
    fn elapsed(&mut self) -> Duration {
        self.at(|ends| ends.waited)
    }
}

impl Watch for Line {
    fn look(&mut self, _session: &mut Session) -> Option<End> {
        None
    }
}

fn framed(sequence: u32, message: Message) -> Vec<u8> {
    let mut bytes = [0; MAX_FRAME_BYTES];
    let length = encode(&Frame { sequence, message }, &mut bytes);
    bytes[..length].to_vec()
}

/// What the method says to a frame: the same to the same feedback, done after two thousand, nothing to garbage.
fn answer(frame: &[u8]) -> Option<Vec<u8>> {
    let Ok(Frame { message: Message::Feedback(feedback), .. }) = decode(frame) else { return None };
    if feedback.exchange == 2000 {
        return Some(framed(1_000_000, Message::Done));
    }
    let controlword = [0x06, 0x07, 0x0F][feedback.exchange.min(2) as usize];
    let speed_rad_per_s = f64::from(feedback.exchange % 300) / 10.0;
    let values = Values::from_slice(&[Value { speed_rad_per_s, ..Value::default() }]).expect("one value");
    let command = CommandFrame { exchange: feedback.exchange, controlword, compute_us: 0, values };
    Some(framed(10 + feedback.exchange, Message::Command(command)))
}

/// A run in lockstep over an impaired line.
struct Ran {
    end: End,
    bits: Vec<u64>,
    resent: u64,
    waited: Duration,
    harm: [Harm; 2],
}

fn run(impairment: &str, seed: u64) -> Ran {
    let mut line = Line::default();
    line.at(|ends| ends.answers = true);
    let impairment = impairment.parse().expect("a specification");
    let mut link = ImpairedLink::new(Box::new(line.clone()), impairment, seed);
    let mut session = phases::tuning(&scenario_text::read(&scenario_text::dough_sheeter()), 7);
    let patience = Patience { silence: Some(Duration::from_secs(2)), phase: Some(Duration::from_secs(60)) };
    let end = lockstep(&mut session, &mut link, &mut line.clone(), patience, &mut line);
    Ran {
        end,
        bits: session.taken.rows.iter().flatten().map(|value| value.to_bits()).collect(),
        resent: session.counts.resent,
        waited: line.elapsed(),
        harm: [link.to_method, link.from_method],
    }
}

/// Lost, doubled and broken frames in both directions are made up for at once: the bench never waits longer than on a
/// sound line, where it waits once for the method's first word.
#[test]
fn a_lossy_lockstep_run_has_the_same_bits_and_waits_for_nothing() {
    let sound = run("none", 7);
    assert_eq!((&sound.end, sound.resent, sound.waited), (&End::Done, 0, RESEND_AFTER));
    for impairment in ["loss=5,repeat=5,corrupt=5", "loss=50", "corrupt=50", "repeat=50"] {
        let lossy = run(impairment, 7);
        assert_eq!((&lossy.end, lossy.waited), (&End::Done, sound.waited), "{impairment}");
        assert!(lossy.bits == sound.bits, "{impairment}");
        assert!(impairment == "repeat=50" || 100 < lossy.resent, "{impairment}: {} resent", lossy.resent);
    }
}

/// What happens to a line follows from the seed.
#[test]
fn harm_follows_from_the_seed() {
    let harm = |seed| run("loss=5,repeat=5,corrupt=5", seed).harm;
    assert_eq!(harm(7), harm(7));
    assert_ne!(harm(7), harm(8));
}

/// Sends ten thousand frames over an impaired line and lets as many come back; gives what arrived, and what was counted.
fn carried(impairment: &str) -> ([Vec<Vec<u8>>; 2], [Harm; 2]) {
    let frames: Vec<Vec<u8>> = (0..10_000_u32).map(|number| number.to_le_bytes().repeat(8)).collect();
    let line = Line::default();
    line.at(|ends| ends.from_method.extend(frames.clone()));
    let mut link = ImpairedLink::new(Box::new(line.clone()), impairment.parse().expect("a specification"), 20);
    frames.iter().for_each(|frame| link.send(frame).expect("a made line is never gone"));
    let mut buffer = [0; 64];
    let mut came = Vec::new();
    while let Some(length) = link.poll(&mut buffer).expect("a made line is never gone") {
        came.push(buffer[..length].to_vec());
    }
    ([line.at(|ends| std::mem::take(&mut ends.to_method)), came], [link.to_method, link.from_method])
}

fn bits_apart(one: &[u8], other: &[u8]) -> u32 {
    one.iter().zip(other).map(|(one, other)| (one ^ other).count_ones()).sum()
}

/// The number that stands eight times in a frame, in spite of one bit that is turned over.
fn number(frame: &[u8]) -> u32 {
    let words: Vec<u32> =
        frame.chunks_exact(4).map(|word| word.iter().rev().fold(0, |n, byte| n << 8 | u32::from(*byte))).collect();
    if words[0] == words[1] { words[0] } else { words[2] }
}

/// A tenth of the frames, within five deviations; the order is kept, and a copy differs from its frame by one bit or none.
#[test]
fn frames_suffer_as_often_as_was_asked_and_no_more() {
    let about_a_tenth = |count: u64, of: u64| count.abs_diff(of / 10) < of / 60;
    let (ways, harms) = carried("loss=10,repeat=10,corrupt=10");
    for (came, harm) in ways.iter().zip(harms) {
        assert!(about_a_tenth(harm.lost, 10_000) && about_a_tenth(harm.repeated, 9_000), "{harm:?}");
        assert!(about_a_tenth(harm.corrupted, 9_900), "{harm:?}");
        assert_eq!(came.len() as u64, 10_000 - harm.lost + harm.repeated);
        assert!(came.is_sorted_by_key(|frame| number(frame)));
        let apart: Vec<u32> =
            came.iter().map(|frame| bits_apart(frame, &number(frame).to_le_bytes().repeat(8))).collect();
        assert_eq!(apart.iter().filter(|bits| **bits == 1).count() as u64, harm.corrupted);
        assert!(apart.iter().all(|bits| *bits <= 1));
    }
    assert_ne!(harms[0], harms[1], "both directions draw from one stream");
}

/// What is not asked for does not happen.
#[test]
fn a_link_that_is_left_alone_carries_every_frame_as_it_is() {
    for impairment in ["none", "delay=3,jitter=2,reorder=1"] {
        let ([to, from], harm) = carried(impairment);
        assert!(
            to == from
                && to.len() == 10_000
                && to.iter().all(|frame| bits_apart(frame, &number(frame).to_le_bytes().repeat(8)) == 0)
        );
        assert_eq!(harm, [Harm::default(); 2]);
    }
}

/// A whole trial by the built program: the same bits over a bad line, the harm in the result, and the same in a replay.
#[test]
fn a_whole_trial_over_a_bad_line_has_the_same_bits_and_says_so() {
    let ground = Ground::new(&scenario_text::dough_sheeter());
    let clean = ground.score(&["--no-record", "--json", "-"]);
    let clean: TrialResult = serde_json::from_str(&clean.out).expect("a result");
    assert_eq!(clean.impairment, None);
    let ran = ground.score(&["--impair", "loss=5,repeat=5,corrupt=5", "--record", "bad"]);
    let bad = ground.result("bad");
    assert_eq!((ran.status, bad.verdict), (Some(0), Verdict::Pass), "{}", ran.error);
    assert_eq!((&bad.bits_sha256, bad.link.exchanges), (&clean.bits_sha256, clean.link.exchanges));
    let facts = bad.impairment.expect("the result says what was done");
    let asked = Impairment { loss_frac: 0.05, repeat_frac: 0.05, corrupt_frac: 0.05, ..Impairment::default() };
    assert_eq!(facts.asked(), asked);
    assert!(1000 < facts.frames_lost && 1000 < facts.frames_repeated && 1000 < facts.copies_corrupted, "{facts:?}");
    assert!(ran.out.contains("Impaired on purpose with loss=5,repeat=5,corrupt=5: "), "{}", ran.out);
    assert_eq!(ground.run(&["replay", "bad"]).status, Some(0));
}

/// The scenario's own section holds unless the command line says otherwise; a wrong word is refused before anything runs.
#[test]
fn the_command_line_goes_before_the_scenario() {
    let text = scenario_text::dough_sheeter().replace("[motor]\n", "[impairment]\nrepeat_percent = 2\n\n[motor]\n");
    let ground = Ground::new(&text);
    let used = |words: &[&str]| {
        let ran = ground.score(&[&["--by", "hasty", "--no-record", "--json", "-"], words].concat());
        let result: TrialResult = serde_json::from_str(&ran.out).expect("a result");
        result.impairment.as_ref().map(ImpairmentFacts::asked)
    };
    assert_eq!(used(&[]), Some(Impairment { repeat_frac: 0.02, ..Impairment::default() }));
    assert_eq!(used(&["--impair", "loss=1"]), Some(Impairment { loss_frac: 0.01, ..Impairment::default() }));
    assert_eq!(used(&["--impair", "none"]), None);
    let refused = ground.score(&["--impair", "lose=1,delay=2000"]);
    assert_eq!(refused.status, Some(2));
    assert!(refused.error.contains("did you mean loss?") && refused.error.contains("delay=2000; allowed 0 to 1000"));
}
