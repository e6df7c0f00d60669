//! The loop on the clock: every tick is due at its own moment and none is dropped; what came late is caught up; a flood, a
//! full record and a silent method each end in what they must, and nothing ticks before the outside is ready.
//!
//! Clock, link and record are made here: no test waits. Start reading at [`World`].

use std::cell::RefCell;
use std::collections::VecDeque;
use std::rc::Rc;
use std::time::Duration;

use plantstand::base::recording::{Row, Signal};
use plantstand::base::time::TickRate;
use plantstand::bench::pacing::{Attendant, Beat, Patience, real_time};
use plantstand::bench::port::{Clock, Gone, Link, Metronome, Outlet, RESEND_AFTER};
use plantstand::bench::session::{End, Session, Taken};
use plantstand::scenario::{Pace, Scenario};
use plantstand::trial::examination::prepare;
use plantstand::trial::phases;
use plantstand::wire::codec::{decode, encode};
use plantstand::wire::layout::MAX_FRAME_BYTES;
use plantstand::wire::message::{CommandFrame, Frame, Message, Phase, PhaseKind, Value, Values};

use crate::scenario_text;

/// The period of a tick at 8 kHz.
const PERIOD_NS: u64 = 125_000;

/// Where the metronome stands when the clock stands at 0: the two begin at moments of their own.
const METRONOME_AHEAD_NS: u64 = 7_000_000_123;

/// No run of these tests lasts longer.
const TICKS_MAX: usize = 100_000;

/// What the other end does when it hears a frame.
type Method = Box<dyn FnMut(&Message) -> Vec<Message>>;

/// What everything of a test has in common: the time, what was seen, what is to happen.
#[derive(Clone)]
struct World(Rc<RefCell<Seen>>);

struct Seen {
    now_ns: u64,
    method: Method,
    on_their_way: VecDeque<Vec<u8>>,
    /// What is always there to be read behind what the method said.
    flood: Option<Vec<u8>>,
    /// Ticks that wake late, with the nanoseconds.
    stalls: Vec<(usize, u64)>,
    /// Ticks whose output takes long, with the nanoseconds.
    slow: Vec<(usize, u64)>,
    /// Whether the link says that it loses frames on purpose.
    lossy: bool,
    /// The tick from which on the line is gone.
    gone_from: usize,
    /// When each tick was due, on the metronome.
    dues_ns: Vec<u64>,
    /// Frames polled in each tick.
    polled: Vec<usize>,
    /// Announcements of a phase, with their time on the clock.
    announced_ns: Vec<u64>,
    beats: Vec<Beat>,
    rows: Vec<Row>,
    /// Chunks that the record has room for.
    room: usize,
    /// After so many beats somebody asks for this end.
    wanted: Option<(usize, End)>,
}

impl World {
    fn new(method: Method) -> Self {
        Self(Rc::new(RefCell::new(Seen {
            now_ns: 0,
            method,
            on_their_way: VecDeque::new(),
            flood: None,
            stalls: Vec::new(),
            slow: Vec::new(),
            lossy: false,
            gone_from: usize::MAX,
            dues_ns: Vec::new(),
            polled: Vec::new(),
            announced_ns: Vec::new(),
            beats: Vec::new(),
            rows: Vec::new(),
            room: usize::MAX,
            wanted: None,
        })))
    }

    fn with(self, change: impl FnOnce(&mut Seen)) -> Self {
        change(&mut self.0.borrow_mut());
        self
    }

    /// Runs the phase of a session to its end.
    fn run(&self, session: &mut Session, silence_s: u64) -> End {
        let patience = Patience { silence: Some(Duration::from_secs(silence_s)), phase: None };
        let [mut link, mut clock, mut metronome, mut attendant] = [(); 4].map(|()| self.clone());
        real_time(session, &mut link, (&mut clock, &mut metronome), patience, &mut attendant)
    }
}

impl Clock for World {
    fn elapsed(&mut self) -> Duration {
        Duration::from_nanos(self.0.borrow().now_ns)
    }
}

impl Metronome for World {
    fn wait_until_ns(&mut self, due_ns: u64) -> u64 {
        let mut seen = self.0.borrow_mut();
        let tick = seen.dues_ns.len();
        assert!(tick < TICKS_MAX, "the run does not end");
        seen.dues_ns.push(due_ns);
        seen.polled.push(0);
        let late_ns = sum_of(&seen.stalls, tick);
        seen.now_ns = seen.now_ns.max(due_ns - METRONOME_AHEAD_NS + late_ns);
        seen.now_ns + METRONOME_AHEAD_NS
    }

    fn now_ns(&mut self) -> u64 {
        self.0.borrow().now_ns + METRONOME_AHEAD_NS
    }
}

fn sum_of(planned: &[(usize, u64)], tick: usize) -> u64 {
    planned.iter().filter(|(at, _)| *at == tick).map(|(_, nanoseconds)| nanoseconds).sum()
}

impl Link for World {
    fn send(&mut self, frame: &[u8]) -> Result<(), Gone> {
        let message = decode(frame).expect("the bench speaks the protocol").message;
        let mut seen = self.0.borrow_mut();
        match &message {
            Message::Phase(_) => {
                let now_ns = seen.now_ns;
                seen.announced_ns.push(now_ns);
            }
            _ => seen.now_ns += sum_of(&seen.slow, seen.dues_ns.len() - 1),
        }
        let answers = (seen.method)(&message);
        seen.on_their_way.extend(answers.into_iter().map(framed));
        Ok(())
    }

    fn receive(&mut self, buffer: &mut [u8]) -> Result<Option<usize>, Gone> {
        let found = self.next(buffer);
        if found.is_none() {
            self.0.borrow_mut().now_ns += RESEND_AFTER.as_nanos() as u64;
        }
        Ok(found)
    }

    fn poll(&mut self, buffer: &mut [u8]) -> Result<Option<usize>, Gone> {
        let mut seen = self.0.borrow_mut();
        if seen.gone_from < seen.dues_ns.len() {
            return Err(Gone { cause: "lost its line: unplugged".to_owned() });
        }
        *seen.polled.last_mut().expect("polled in a tick") += 1;
        drop(seen);
        Ok(self.next(buffer))
    }

    fn has_lost(&mut self) -> bool {
        self.0.borrow().lossy
    }
}

impl World {
    fn next(&self, buffer: &mut [u8]) -> Option<usize> {
        let mut seen = self.0.borrow_mut();
        let frame = seen.on_their_way.pop_front().or_else(|| seen.flood.clone())?;
        buffer[..frame.len()].copy_from_slice(&frame);
        Some(frame.len())
    }
}

impl Outlet for World {
    fn give(&mut self, taken: &mut Taken) -> bool {
        let mut seen = self.0.borrow_mut();
        let Some(room) = seen.room.checked_sub(1) else { return false };
        seen.room = room;
        seen.rows.append(&mut taken.rows);
        true
    }
}

impl Attendant for World {
    fn beat(&mut self, beat: Beat) {
        self.0.borrow_mut().beats.push(beat);
    }

    fn asked_to_end(&mut self) -> Option<End> {
        let seen = self.0.borrow();
        seen.wanted.clone().filter(|(beats, _)| *beats <= seen.beats.len()).map(|(_, end)| end)
    }
}

fn framed(message: Message) -> Vec<u8> {
    let mut bytes = [0; MAX_FRAME_BYTES];
    let length = encode(&Frame { sequence: 1, message }, &mut bytes);
    bytes[..length].to_vec()
}

/// Turns the axis, and says no word any more from an exchange on.
fn turning_until(last_exchange: u32) -> Method {
    Box::new(move |message| {
        let Message::Feedback(feedback) = message else { return Vec::new() };
        if last_exchange <= feedback.exchange {
            return Vec::new();
        }
        let controlword = [0x06, 0x07, 0x0F][feedback.exchange.min(2) as usize];
        let value = Value { speed_rad_per_s: 20.0, ..Value::default() };
        let values = Values::from_slice(&[value]).expect("one value");
        vec![Message::Command(CommandFrame { exchange: feedback.exchange, controlword, compute_us: 0, values })]
    })
}

fn turning() -> World {
    World::new(turning_until(u32::MAX))
}

fn paced(mut scenario: Scenario) -> Scenario {
    scenario.timing.pace = Pace::RealTime;
    scenario
}

/// Tuning of the dough sheeter on the clock.
fn tuning() -> Session {
    phases::tuning(&paced(scenario_text::read(&scenario_text::dough_sheeter())), 7)
}

/// The run goes on for so many ticks and is interrupted then.
fn interrupted_after(world: World, ticks: usize) -> (World, Session) {
    let world = world.with(|seen| seen.wanted = Some((ticks, End::Interrupted)));
    let mut session = tuning();
    assert_eq!(world.run(&mut session, 60), End::Interrupted);
    assert_eq!((world.0.borrow().beats.len(), session.tick()), (ticks, ticks as u64));
    (world, session)
}

/// The axis that was turning stands, its drive off.
fn check_at_rest(world: &World, session: &Session) {
    assert!(!session.bench().drive.torque_may_act());
    let seen = world.0.borrow();
    let rows = || seen.rows.iter().chain(&session.taken.rows);
    let speed = |row: &Row| row[Signal::MotorSpeed as usize].abs();
    assert!(10.0 < rows().map(speed).fold(0.0, f64::max), "the test's axis never turned");
    assert!(rows().last().map(speed).expect("rows") < 3.0, "still turning");
}

#[test]
fn a_tick_is_due_at_the_nearest_nanosecond_to_its_number_over_the_rate() {
    for hz in [3000, 7000, 8000, 11_025] {
        let mut scenario = paced(scenario_text::read(&scenario_text::dough_sheeter()));
        scenario.timing.rate = TickRate { hz };
        let world = turning().with(|seen| seen.wanted = Some((5000, End::Interrupted)));
        world.run(&mut phases::tuning(&scenario, 7), 60);
        let dues_ns = &world.0.borrow().dues_ns;
        let hz = u64::from(hz);
        for (tick, due_ns) in dues_ns.iter().enumerate() {
            let exact_hz_ns = tick as u64 * 1_000_000_000;
            assert!(((due_ns - dues_ns[0]) * hz).abs_diff(exact_hz_ns) * 2 <= hz, "tick {tick} at {hz} Hz");
        }
        assert_eq!(dues_ns.len(), 5000);
    }
}

#[test]
fn a_late_wake_up_is_caught_up_and_no_tick_is_dropped() {
    // 10.3 periods late: ticks 100 to 110 begin then, and all but the last two of them end after the next was due.
    let (world, session) = interrupted_after(turning().with(|seen| seen.stalls = vec![(100, 1_287_500)]), 300);
    let seen = world.0.borrow();
    let late_ns: Vec<u64> = seen.beats.iter().map(|beat| beat.late_ns).collect();
    let expected_ns =
        |tick: u64| if (100..300).contains(&tick) { 1_287_500_u64.saturating_sub((tick - 100) * PERIOD_NS) } else { 0 };
    assert_eq!(late_ns, (0..300).map(expected_ns).collect::<Vec<_>>());
    let missed: Vec<usize> = (0..300).filter(|tick| seen.beats[*tick].missed).collect();
    assert_eq!(missed, (100..110).collect::<Vec<_>>());
    assert!(seen.dues_ns.windows(2).all(|pair| pair[1] - pair[0] == PERIOD_NS));
    assert_eq!(seen.rows.len() + session.taken.rows.len(), 300, "a row for every tick");
}

#[test]
fn a_tick_is_missed_when_its_output_leaves_after_the_next_is_due_whatever_made_it_late() {
    // Output leaves with every eighth tick: 7, 15, 23 and so on.
    for (wakes_late_ns, sends_late_ns, missed) in [
        (PERIOD_NS, 0, false),
        (PERIOD_NS + 1, 0, true),
        (0, PERIOD_NS, false),
        (0, PERIOD_NS + 1, true),
        (60_000, 65_001, true),
    ] {
        let planned =
            |seen: &mut Seen| (seen.stalls, seen.slow) = (vec![(47, wakes_late_ns)], vec![(47, sends_late_ns)]);
        let (world, _) = interrupted_after(turning().with(planned), 100);
        let seen = world.0.borrow();
        assert_eq!(seen.beats[47], Beat { late_ns: wakes_late_ns, missed }, "{wakes_late_ns}, {sends_late_ns}");
        assert_eq!(seen.beats.iter().filter(|beat| beat.missed).count(), usize::from(missed));
    }
}

#[test]
fn a_flood_is_read_64_frames_a_tick_and_makes_none_late() {
    let stale = Message::Command(CommandFrame { exchange: 0, controlword: 0x0F, compute_us: 0, values: Values::new() });
    for flood in [vec![0xA5; 300], Vec::new(), framed(stale), framed(Message::Done)[..5].to_vec()] {
        let (world, _) = interrupted_after(turning().with(|seen| seen.flood = Some(flood)), 200);
        let seen = world.0.borrow();
        assert_eq!(seen.polled, vec![64; 200]);
        assert!(seen.beats.iter().all(|beat| *beat == Beat { late_ns: 0, missed: false }));
    }
}

#[test]
fn a_record_without_room_ends_the_run_as_the_benchs_fault_with_the_axis_at_rest() {
    let world = turning().with(|seen| seen.room = 10);
    let mut session = tuning();
    let end = world.run(&mut session, 60);
    assert_eq!(end, End::Broken("the record could not be written as fast as the run went".to_owned()));
    let seen = world.0.borrow();
    assert_eq!((seen.beats.len(), seen.rows.len()), (11 * 256, 10 * 256));
    check_at_rest(&world, &session);
}

#[test]
fn silence_beyond_the_patience_ends_the_run_with_nothing_said_again_and_the_axis_at_rest() {
    let world = World::new(turning_until(400)).with(|seen| seen.lossy = true);
    let mut session = tuning();
    assert_eq!(world.run(&mut session, 2), End::Silent);
    // The last answer is read in the tick after its feedback: 400 exchanges of 8 ticks, then 2 s.
    assert!((19_200..=19_210).contains(&world.0.borrow().beats.len()), "{}", world.0.borrow().beats.len());
    assert_eq!(session.counts.resent, 0, "a tick that is over is not asked for again");
    check_at_rest(&world, &session);
}

#[test]
fn a_method_that_left_leaves_an_axis_at_rest_and_a_person_who_interrupts_need_not_wait_for_it() {
    for gone_from in [1000, usize::MAX] {
        let why = if gone_from == 1000 { "lost its line: unplugged" } else { "exited with status 1" };
        let left = End::Left(why.to_owned());
        let world = turning().with(|seen| {
            seen.gone_from = gone_from;
            seen.wanted = (gone_from != 1000).then(|| (1000, left.clone()));
        });
        let mut session = tuning();
        assert_eq!(world.run(&mut session, 60), left);
        assert!((1000..=1001).contains(&world.0.borrow().beats.len()));
        check_at_rest(&world, &session);
    }
    let (_, session) = interrupted_after(turning(), 1000);
    assert_eq!(session.tick(), 1000);
}

/// Says done when an exchange comes.
fn done_at(exchange: u32) -> World {
    let mut turning = turning_until(exchange);
    World::new(Box::new(move |message| match message {
        Message::Feedback(feedback) if feedback.exchange == exchange => vec![Message::Done],
        other => turning(other),
    }))
}

#[test]
fn a_phase_that_the_methods_word_ends_counts_no_tick_that_was_not_done() {
    let (world, mut session) = (done_at(20), tuning());
    assert_eq!(world.run(&mut session, 60), End::Done);
    assert_eq!((world.0.borrow().beats.len(), session.tick()), (21 * 8, 21 * 8));
}

#[test]
fn a_power_cycle_has_no_tick() {
    let acknowledging = World::new(Box::new(|message| match message {
        Message::Phase(phase) => vec![Message::PhaseAcknowledgement(*phase)],
        _ => Vec::new(),
    }));
    let mut session = torque_examination();
    session.prepare_power_cycle();
    assert_eq!(acknowledging.run(&mut session, 60), End::Finished);
    assert_eq!(acknowledging.0.borrow().beats, []);
}

/// The examination of the roll whose speed loop is closed outside, on the clock.
fn torque_examination() -> Session {
    let text = include_str!("../../scenarios/torque/dough-sheeter.toml");
    let scenario = paced(scenario_text::read(text));
    let mut session = phases::tuning(&scenario, 7);
    prepare(&mut session, &scenario, 0, &scenario.settings, 7).expect("a machine");
    session
}

/// Acknowledges the phase when it is announced for this time.
fn ready_at(announcement: usize) -> World {
    let mut announced = 0;
    World::new(Box::new(move |message| {
        announced += usize::from(matches!(message, Message::Phase(_)));
        let ready = announced == announcement && matches!(message, Message::Phase(_));
        let phase = Phase { phase: PhaseKind::Examination, corner: 0 };
        ready.then_some(Message::PhaseAcknowledgement(phase)).into_iter().collect()
    }))
}

#[test]
fn nothing_ticks_before_the_phase_is_acknowledged_and_the_first_tick_is_due_a_millisecond_after() {
    let world = ready_at(4).with(|seen| seen.wanted = Some((10, End::Interrupted)));
    let mut session = torque_examination();
    assert_eq!(world.run(&mut session, 60), End::Interrupted);
    let seen = world.0.borrow();
    assert_eq!(seen.announced_ns, [0, 100_000_000, 200_000_000, 300_000_000]);
    assert_eq!(seen.dues_ns[0], 301_000_000 + METRONOME_AHEAD_NS);
    assert_eq!(seen.beats.len(), 10);
}

#[test]
fn an_outside_that_never_acknowledges_is_given_up_without_a_tick_and_so_is_one_that_nobody_waits_for() {
    for (wanted, end) in [(None, End::Silent), (Some((0, End::Interrupted)), End::Interrupted)] {
        let world = ready_at(usize::MAX).with(|seen| seen.wanted = wanted);
        let mut session = torque_examination();
        assert_eq!(world.run(&mut session, 2), end);
        let seen = world.0.borrow();
        assert_eq!((seen.dues_ns.len(), seen.beats.len()), (0, 0));
    }
}
