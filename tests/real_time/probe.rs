//! A probe counts what came in time, what came late and what never came, and says which rhythm a line can carry.

use std::cell::Cell;
use std::collections::VecDeque;
use std::rc::Rc;

use plantstand::base::time::TickRate;
use plantstand::bench::port::{Gone, Link, Metronome};
use plantstand::bench::probing::{Line, Paced, Prober, Rhythm, RoundTrips, Wire};
use plantstand::wire::codec::{decode, encode};
use plantstand::wire::layout::MAX_FRAME_BYTES;
use plantstand::wire::message::{Commands, Frame, Message};

const STRIDE_1: Rhythm = Rhythm { rate: TickRate { hz: 8000 }, stride: 1 };
const STRIDE_8: Rhythm = Rhythm { rate: TickRate { hz: 8000 }, stride: 8 };
const TENTH_NS: u64 = 100_000_000;

/// Time that only moves when somebody waits.
#[derive(Clone, Default)]
struct Time(Rc<Cell<u64>>);

impl Time {
    fn pass_to(&self, moment_ns: u64) {
        self.0.set(self.0.get().max(moment_ns));
    }
}

impl Metronome for Time {
    fn wait_until_ns(&mut self, due_ns: u64) -> u64 {
        self.pass_to(due_ns);
        self.0.get()
    }

    fn now_ns(&mut self) -> u64 {
        self.0.get()
    }
}

/// A client that answers after so long; every so many probes it does not, and it answers so many times.
struct Echoing {
    time: Time,
    after_ns: u64,
    loses_each: u64,
    times: usize,
    probes: u64,
    coming: VecDeque<(u64, Vec<u8>)>,
}

impl Echoing {
    fn next(&mut self, buffer: &mut [u8]) -> Option<usize> {
        let (_, frame) = self.coming.pop_front()?;
        buffer[..frame.len()].copy_from_slice(&frame);
        Some(frame.len())
    }
}

impl Link for Echoing {
    fn send(&mut self, frame: &[u8]) -> Result<(), Gone> {
        let Ok(Frame { sequence, message: Message::Probe(probe) }) = decode(frame) else {
            panic!("a probe is a probe")
        };
        self.probes += 1;
        assert_eq!(u64::from(sequence), self.probes, "frames are numbered from 1");
        if self.loses_each != 0 && self.probes.is_multiple_of(self.loses_each) {
            return Ok(());
        }
        let mut bytes = [0; MAX_FRAME_BYTES];
        let length = encode(&Frame { sequence, message: Message::Echo(probe) }, &mut bytes);
        let echo = (self.time.0.get() + self.after_ns, bytes[..length].to_vec());
        self.coming.extend(std::iter::repeat_n(echo, self.times));
        Ok(())
    }

    fn receive(&mut self, buffer: &mut [u8]) -> Result<Option<usize>, Gone> {
        let limit_ns = self.time.0.get() + TENTH_NS;
        let came_ns = self.coming.front().map_or(u64::MAX, |(came_ns, _)| *came_ns);
        self.time.pass_to(came_ns.min(limit_ns));
        Ok(if came_ns <= limit_ns { self.next(buffer) } else { None })
    }

    fn poll(&mut self, buffer: &mut [u8]) -> Result<Option<usize>, Gone> {
        let is_there = self.coming.front().is_some_and(|(came_ns, _)| *came_ns <= self.time.0.get());
        Ok(if is_there { self.next(buffer) } else { None })
    }
}

fn with<T>(after_ns: u64, loses_each: u64, times: usize, measure: impl FnOnce(&mut Prober<'_>) -> T) -> T {
    let time = Time::default();
    let coming = VecDeque::new();
    let mut link = Echoing { time: time.clone(), after_ns, loses_each, times, probes: 0, coming };
    measure(&mut Prober::new(&mut link, &mut time.clone()))
}

fn round_trips(after_ns: u64, loses_each: u64) -> RoundTrips {
    with(after_ns, loses_each, 1, |prober| prober.round_trips(1_000_000_000).expect("the line holds"))
}

/// A second of a rhythm, after some round trips whose numbers it must go on from.
fn paced(rhythm: Rhythm, after_ns: u64, loses_each: u64, times: usize) -> Paced {
    with(after_ns, loses_each, times, |prober| {
        prober.round_trips(1_000_000).expect("the line holds");
        prober.paced(rhythm, 1_000_000_000).expect("the line holds")
    })
}

#[test]
fn round_trips_are_counted_and_timed() {
    let found = round_trips(50_000, 0);
    assert_eq!((found.took_ns.len(), found.lost), (20_000, 0));
    assert!((found.per_second() - 20_000.0).abs() < 1.0);
    assert!((found.took_us(0.999).expect("echoes came") - 50.0).abs() < 0.05);
}

/// A lost echo costs three empty waits of a tenth of a second, and the next probe counts again.
#[test]
fn a_lost_echo_is_not_waited_for_without_end() {
    let found = round_trips(50_000, 2);
    assert_eq!((found.took_ns.len(), found.lost), (4, 4));
}

#[test]
fn an_answer_within_the_tick_is_in_time() {
    let found = paced(STRIDE_1, 124_000, 0, 1);
    assert_eq!((found.sent, found.in_time, found.late, found.lost()), (8000, 8000, 0, 0));
    assert_eq!(found.objection(Commands::Torque, None, 0), None);
}

/// With any stride an answer has one tick: it acts from the tick after the one that sent the feedback.
#[test]
fn an_answer_after_the_next_tick_is_late() {
    for (rhythm, sent) in [(STRIDE_1, 8000), (STRIDE_8, 1000)] {
        let found = paced(rhythm, 126_000, 0, 1);
        assert_eq!((found.sent, found.in_time, found.late, found.lost()), (sent, 0, sent, 0));
        let why = found.objection(Commands::Torque, None, 0).expect("nothing was in time");
        assert_eq!(why, "100.00 % of the answers after the next tick");
    }
}

#[test]
fn what_never_comes_is_lost_and_what_comes_twice_counts_once() {
    let found = paced(STRIDE_1, 10_000, 10, 2);
    assert_eq!((found.sent, found.in_time + found.lost(), found.late), (8000, 8000, 0));
    assert_eq!(found.lost(), 800);
    assert_eq!(found.objection(Commands::Speed, None, 0).as_deref(), Some("800 of 8000 probes lost"));
}

/// 115 200 baud carry 11.5 kB/s; 8 kHz with stride 8 needs many times that, and the objection has both numbers.
#[test]
fn a_line_that_is_too_slow_is_named_with_its_numbers() {
    let found = paced(STRIDE_8, 10_000, 0, 1);
    let asked = Wire::of(Commands::Torque, 8).feedback_bytes * 1000;
    let why = found.objection(Commands::Torque, Some(Line { bytes_per_s: 11_520.0 }), 0).expect("too slow");
    assert_eq!(why, format!("{asked} bytes/s each way; the line carries 11520"));
}

/// A line may carry the bytes and still be too slow for an answer within the tick.
#[test]
fn a_line_that_carries_the_bytes_may_still_answer_late() {
    let found = paced(STRIDE_8, 10_000, 0, 1);
    let why = found.objection(Commands::Torque, Some(Line { bytes_per_s: 1e6 }), 0).expect("too slow");
    assert!(why.starts_with("both frames take ") && why.ends_with("a tick 125.0 µs"), "{why}");
    assert_eq!(found.objection(Commands::Torque, Some(Line { bytes_per_s: 1e8 }), 0), None);
}
