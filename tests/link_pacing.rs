//! The promise: in lockstep the wall clock can end a run, and nothing else. A feedback without an answer comes again to
//! the bit every tenth of a second; a method that stays silent beyond the patience leaves an axis at rest; bytes that
//! nobody can read are no sign of life, however many come.
//!
//! The clock and the link are made here: no test waits. Start reading at [`Line`].

use std::cell::Cell;
use std::collections::VecDeque;
use std::rc::Rc;
use std::time::Duration;

use plantstand::base::recording::Signal;
use plantstand::bench::pacing::{Patience, Watch, lockstep};
use plantstand::bench::port::{Clock, Gone, Link, RESEND_AFTER};
use plantstand::bench::session::{End, Session};
use plantstand::trial::phases;
use plantstand::wire::codec::{decode, encode};
use plantstand::wire::layout::MAX_FRAME_BYTES;
use plantstand::wire::message::{CommandFrame, Frame, Message, Probe, Value, Values};

#[path = "trial_runs/scenario_text.rs"]
mod scenario_text;

/// How long a test run may take on the made clock before it counts as one that never ends.
const FOR_EVER: Duration = Duration::from_secs(10_000);

/// Time as the test makes it: it passes when the bench waits, and a little when it does not.
#[derive(Clone, Default)]
struct Time(Rc<Cell<Duration>>);

impl Time {
    fn pass(&self, duration: Duration) {
        self.0.set(self.0.get() + duration);
    }
}

impl Clock for Time {
    fn elapsed(&mut self) -> Duration {
        self.0.get()
    }
}

/// What the other end does when the bench has waited for it.
type Method = Box<dyn FnMut(&Frame) -> Vec<Vec<u8>>>;

/// A link to a method that reacts to each frame at once; when it has nothing to say, time passes.
struct Line {
    time: Time,
    method: Method,
    on_their_way: VecDeque<Vec<u8>>,
    sent: Vec<(Duration, Vec<u8>)>,
    idle: Box<dyn FnMut() -> Result<Option<Vec<u8>>, Gone>>,
}

impl Link for Line {
    fn poll(&mut self, buffer: &mut [u8]) -> Result<Option<usize>, Gone> {
        self.receive(buffer)
    }

    fn send(&mut self, frame: &[u8]) -> Result<(), Gone> {
        self.sent.push((self.time.0.get(), frame.to_vec()));
        let frame = decode(frame).expect("the bench speaks the protocol");
        self.on_their_way.extend((self.method)(&frame));
        Ok(())
    }

    fn receive(&mut self, buffer: &mut [u8]) -> Result<Option<usize>, Gone> {
        let next = match self.on_their_way.pop_front() {
            Some(frame) => Some(frame),
            None => (self.idle)()?,
        };
        match next {
            Some(frame) => {
                self.time.pass(Duration::from_micros(50));
                buffer[..frame.len()].copy_from_slice(&frame);
                Ok(Some(frame.len()))
            }
            None => {
                self.time.pass(RESEND_AFTER);
                Ok(None)
            }
        }
    }
}

/// Looks at nothing, and sees that a run which should never end is ended all the same.
struct Onlooker(Time);

impl Watch for Onlooker {
    fn look(&mut self, _session: &mut Session) -> Option<End> {
        (FOR_EVER <= self.0.0.get()).then_some(End::Interrupted)
    }
}

/// A run on a made line.
struct Ran {
    end: End,
    session: Session,
    sent: Vec<(Duration, Vec<u8>)>,
    lasted: Duration,
}

fn run(method: Method, idle: Box<dyn FnMut() -> Result<Option<Vec<u8>>, Gone>>, patience: Patience) -> Ran {
    let time = Time::default();
    let mut session = phases::tuning(&scenario_text::read(&scenario_text::dough_sheeter()), 7);
    let mut line = Line { time: time.clone(), method, on_their_way: VecDeque::new(), sent: Vec::new(), idle };
    let end = lockstep(&mut session, &mut line, &mut time.clone(), patience, &mut Onlooker(time.clone()));
    Ran { end, session, sent: line.sent, lasted: time.0.get() }
}

fn nothing() -> Box<dyn FnMut() -> Result<Option<Vec<u8>>, Gone>> {
    Box::new(|| Ok(None))
}

fn patience_s(seconds: u64) -> Patience {
    Patience { silence: Some(Duration::from_secs(seconds)), phase: Some(FOR_EVER) }
}

fn framed(sequence: u32, message: Message) -> Vec<u8> {
    let mut bytes = [0; MAX_FRAME_BYTES];
    let length = encode(&Frame { sequence, message }, &mut bytes);
    bytes[..length].to_vec()
}

/// Enables the drive and lets it turn; says no word any more from an exchange on, and says done where it is told to.
fn turning_until(last_exchange: u32, done: bool) -> Method {
    Box::new(move |frame| {
        let Message::Feedback(feedback) = &frame.message else { return Vec::new() };
        if feedback.exchange == last_exchange && done {
            return vec![framed(1_000_000, Message::Done)];
        }
        if last_exchange <= feedback.exchange {
            return Vec::new();
        }
        let controlword = [0x06, 0x07, 0x0F][feedback.exchange.min(2) as usize];
        let value = Value { speed_rad_per_s: 20.0, ..Value::default() };
        let values = Values::from_slice(&[value]).expect("one value");
        let command = CommandFrame { exchange: feedback.exchange, controlword, compute_us: 0, values };
        vec![framed(10 + feedback.exchange, Message::Command(command))]
    })
}

/// The times of the copies of the newest feedback that was sent, and whether they are the same to the bit.
fn copies(ran: &Ran) -> Vec<Duration> {
    let feedback = |bytes: &[u8]| matches!(decode(bytes), Ok(Frame { message: Message::Feedback(_), .. }));
    let (_, newest) = ran.sent.iter().rev().find(|(_, bytes)| feedback(bytes)).expect("a feedback was sent");
    ran.sent.iter().filter(|(_, bytes)| bytes == newest).map(|(at, _)| *at).collect()
}

/// The axis that nobody commands any more stands, its drive off.
fn check_at_rest(session: &Session) {
    assert!(!session.bench().drive.torque_may_act());
    let last = session.taken.rows.last().expect("rows were recorded");
    let fastest = session.taken.rows.iter().map(|row| row[Signal::MotorSpeed as usize].abs()).fold(0.0, f64::max);
    assert!(10.0 < fastest, "the test's axis never turned");
    assert!(last[Signal::MotorSpeed as usize].abs() < 3.0, "still turning: {last:?}");
}

#[test]
fn a_feedback_without_an_answer_comes_again_to_the_bit_until_the_patience_is_over() {
    let ran = run(turning_until(400, false), nothing(), patience_s(2));
    assert_eq!(ran.end, End::Silent);
    let copies = copies(&ran);
    assert_eq!(copies.len() as u64, 1 + ran.session.counts.resent);
    assert!((19..=21).contains(&copies.len()), "{copies:?}");
    assert!(copies.windows(2).all(|pair| pair[1] - pair[0] == RESEND_AFTER), "{copies:?}");
}

#[test]
fn silence_beyond_the_patience_brings_the_axis_to_rest_in_simulated_time() {
    let ran = run(turning_until(400, false), nothing(), patience_s(2));
    assert_eq!(ran.end, End::Silent);
    assert!(401 * 8 < ran.session.tick(), "the quick stop took no simulated time");
    check_at_rest(&ran.session);
}

#[test]
fn a_method_that_never_says_a_word_is_begun_with_and_given_up() {
    let ran = run(Box::new(|_| Vec::new()), nothing(), patience_s(1));
    assert_eq!((ran.end, ran.session.tick()), (End::Silent, 8));
    assert!(ran.lasted < Duration::from_secs(2));
}

#[test]
fn without_patience_the_bench_waits_for_ever() {
    let ran = run(turning_until(5, false), nothing(), Patience { silence: None, phase: Some(2 * FOR_EVER) });
    assert_eq!(ran.end, End::Interrupted, "only the onlooker ended it");
    assert!(FOR_EVER <= ran.lasted);
}

#[test]
fn a_method_that_thinks_long_but_answers_changes_no_bit() {
    let quick = run(turning_until(50, true), nothing(), patience_s(2));
    let mut quickly = turning_until(50, true);
    let mut copies_heard = 0;
    let slowly: Method = Box::new(move |frame| {
        copies_heard += 1;
        // Only every fifth copy of a feedback is answered: half a second of thinking each.
        if copies_heard % 5 == 0 { quickly(frame) } else { Vec::new() }
    });
    let slow = run(slowly, nothing(), patience_s(2));
    assert_eq!((&quick.end, &slow.end), (&End::Done, &End::Done));
    let bits = |ran: &Ran| -> Vec<u64> { ran.session.taken.rows.iter().flatten().map(|v| v.to_bits()).collect() };
    assert!(bits(&quick) == bits(&slow));
    assert!(100 < slow.session.counts.resent);
}

#[test]
fn a_copy_that_is_answered_again_acts_once() {
    let once = run(turning_until(50, true), nothing(), patience_s(2));
    let mut answer = turning_until(50, true);
    let thrice = run(Box::new(move |frame| vec![answer(frame); 3].concat()), nothing(), patience_s(2));
    assert_eq!(thrice.end, End::Done);
    let bits = |ran: &Ran| -> Vec<u64> { ran.session.taken.rows.iter().flatten().map(|v| v.to_bits()).collect() };
    assert!(bits(&once) == bits(&thrice));
}

#[test]
fn tuning_that_takes_too_long_on_the_wall_is_ended_with_the_axis_at_rest() {
    let patience = Patience { silence: Some(FOR_EVER), phase: Some(Duration::from_secs(3)) };
    let ran = run(turning_until(400, false), nothing(), patience);
    assert_eq!(ran.end, End::OutOfWallTime);
    assert!(ran.lasted <= Duration::from_millis(3_200));
    check_at_rest(&ran.session);
}

#[test]
fn a_link_that_is_gone_ends_the_run_with_its_cause() {
    let gone = || Err(Gone { cause: "lost its line: unplugged".to_owned() });
    let ran = run(turning_until(400, false), Box::new(gone), patience_s(2));
    // The first wait finds nothing on its way yet, so that the run ends before the method's first answer.
    assert_eq!(ran.end, End::Left("lost its line: unplugged".to_owned()));
    let mut waits = 0;
    let later = move || {
        waits += 1;
        if waits < 3 { Ok(None) } else { Err(Gone { cause: "lost its line: unplugged".to_owned() }) }
    };
    let ran = run(turning_until(400, false), Box::new(later), patience_s(2));
    assert_eq!(ran.end, End::Left("lost its line: unplugged".to_owned()));
    check_at_rest(&ran.session);
}

#[test]
fn garbage_that_never_stops_is_no_sign_of_life() {
    for garbage in [vec![0xA5; 300], Vec::new(), framed(1, Message::Echo(Probe { nonce: 1 })), vec![0; 3104]] {
        let ran = run(turning_until(400, false), Box::new(move || Ok(Some(garbage.clone()))), patience_s(2));
        assert_eq!(ran.end, End::Silent);
        assert!(ran.lasted < Duration::from_millis(2_200), "{:?}", ran.lasted);
        let copies = copies(&ran);
        assert!((19..=21).contains(&copies.len()), "the feedback still comes again: {copies:?}");
        check_at_rest(&ran.session);
        assert!(ran.session.taken.frames.len() < 2 << 20);
    }
}

#[test]
fn stale_commands_that_never_stop_are_no_sign_of_life() {
    let values = Values::from_slice(&[]).expect("no value");
    let stale = framed(3, Message::Command(CommandFrame { exchange: 3, controlword: 0x0F, compute_us: 0, values }));
    let ran = run(turning_until(400, false), Box::new(move || Ok(Some(stale.clone()))), patience_s(2));
    assert_eq!(ran.end, End::Silent);
    check_at_rest(&ran.session);
}

#[test]
fn a_method_that_asks_much_before_it_answers_is_alive_and_hears_the_feedback_again() {
    let mut asked = 0_u32;
    let asking = move || {
        asked += 1;
        Ok((asked.is_multiple_of(10)).then(|| framed(asked, Message::Probe(Probe { nonce: u64::from(asked) }))))
    };
    let patience = Patience { silence: Some(Duration::from_secs(2)), phase: Some(Duration::from_secs(20)) };
    let ran = run(turning_until(400, false), Box::new(asking), patience);
    assert_eq!(ran.end, End::OutOfWallTime, "a probe every second is a sign of life");
    assert!(150 < copies(&ran).len(), "{}", copies(&ran).len());
}
