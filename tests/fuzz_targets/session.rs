//! The promise of the session, with speed and with torque commanded from outside: whatever frames come, in whatever
//! order and phase, it does not panic; a frame that is malformed moves no tick; what is refused moves none; every
//! recorded number is finite; memory is bounded by what was sent.
//!
//! The input is read as `frames.bin` has it. The lowest bit of each entry's tick says whether a frame's checksum is made
//! right, the next one whether a command is made to name the latest feedback: without that hardly any would act. A mark
//! begins the next phase. Start reading at [`check`].

use plantstand::bench::frames::{self, Entry};
use plantstand::bench::session::{End, Session};
use plantstand::scenario::{Commands, Scenario};
use plantstand::trial::{examination, phases};
use plantstand::wire::codec::decode;
use plantstand::wire::layout::{Kind, MAX_FRAME_BYTES, command, header, torque_command, voltage_command};
use plantstand::wire::message::Message;

use super::{dough_sheeter, torque_roll, wire};

/// Kinds and words of command.
pub const WORDS: &[&str] = &["PS\u{1}", "\u{6}\0", "\u{7}\0", "\u{f}\0", "\0\0\0\0\0\0\0\0", "\u{3}", "\0\0"];

/// Most entries of one input that are given: more tell nothing new and take long.
const ENTRIES_MAX: usize = 400;

/// Two frames of the bench and one of the method as they are kept: what one frame may add to memory.
const ADDED_MAX_BYTES: usize = 3 * (MAX_FRAME_BYTES + 16);

/// Checks the promise.
pub fn check(bytes: &[u8]) {
    let file = [frames::TITLE, bytes].concat();
    let given = frames::read(&file).expect("it has its title");
    for scenario in [dough_sheeter(), torque_roll()] {
        let session = phases::tuning(scenario, 7);
        let mut harness = Harness { scenario, session, asked: 0, examined: 0 };
        for (how, entry) in given.iter().take(ENTRIES_MAX) {
            harness.give(*how, *entry);
        }
    }
}

struct Harness {
    scenario: &'static Scenario,
    session: Session,
    /// The exchange of the latest feedback.
    asked: u32,
    examined: usize,
}

impl Harness {
    fn give(&mut self, how: u64, entry: Entry<'_>) {
        match entry {
            Entry::Mark => self.next_phase(),
            Entry::OpenedAgain => self.session.reconnected(&mut |_| {}),
            Entry::Frame(frame) => self.receive(how, frame),
        }
        let rows = &self.session.taken.rows;
        assert!(rows.iter().flatten().all(|value| value.is_finite()), "a recorded number is not finite");
        self.session.taken.rows.clear();
        self.session.taken.frames.clear();
    }

    /// The phase that comes next in a trial, if the one before has come to its good end.
    fn next_phase(&mut self) {
        let stays = self.scenario.commands != Commands::Speed;
        let next = match self.session.end() {
            None => true,
            Some(End::Done) if stays => {
                self.session.prepare_power_cycle();
                true
            }
            Some(End::Finished) => {
                let (number, settings) = (self.examined % 2, *self.session.bench().drive.stored());
                self.examined += 1;
                examination::prepare(&mut self.session, self.scenario, number, &settings, 7).is_some()
            }
            Some(_) => false,
        };
        if next {
            let asked = &mut self.asked;
            self.session.begin(&mut |sent| note(sent, asked));
        }
    }

    fn receive(&mut self, how: u64, frame: &[u8]) {
        let frame = self.prepared(how, frame);
        let Self { session, asked, .. } = self;
        let (tick, exchanges, over) = (session.tick(), session.counts.exchanges, session.end().is_some());
        let mut answered_bytes = 0;
        let heard = session.receive(&frame, &mut |sent| {
            note(sent, asked);
            answered_bytes += sent.len();
        });
        assert!(answered_bytes <= ADDED_MAX_BYTES, "{answered_bytes} bytes in answer to one frame");
        assert!(session.taken.frames.len() <= ADDED_MAX_BYTES, "{} bytes kept", session.taken.frames.len());
        assert!(session.log.len() <= 10_000);
        match decode(&frame).map(|frame| frame.message) {
            Err(_) => {
                assert!(!heard && answered_bytes == 0, "a malformed frame was heard");
                assert_eq!(session.tick(), tick, "a malformed frame moved the plant");
            }
            Ok(_) if over => assert_eq!(session.tick(), tick, "a frame moved the plant after the end"),
            Ok(Message::Command(_) | Message::TorqueCommand(_) | Message::VoltageCommand(_)) => {
                let moved = session.counts.exchanges - exchanges;
                assert!(moved <= 1 && heard == (moved == 1), "a command moved {moved} exchanges");
                assert!(moved == 1 || session.tick() == tick, "a refused command moved the plant");
            }
            // Whoever leaves has the axis brought to rest, in simulated time.
            Ok(Message::Close(_)) => assert!(session.end().is_some()),
            Ok(Message::PhaseAcknowledgement(_)) => assert!(heard || session.tick() == tick),
            Ok(message) => assert_eq!(session.tick(), tick, "moved the plant: {message:?}"),
        }
    }

    fn prepared(&self, how: u64, frame: &[u8]) -> Vec<u8> {
        let mut frame = frame.to_vec();
        let kind = frame.get(header::KIND.start).copied().and_then(Kind::from_number);
        let named = match kind {
            Some(Kind::Command) => Some(command::EXCHANGE),
            Some(Kind::TorqueCommand) => Some(torque_command::EXCHANGE),
            Some(Kind::VoltageCommand) => Some(voltage_command::EXCHANGE),
            _ => None,
        };
        if let Some(named) = named.filter(|_| how & 2 != 0).and_then(|range| frame.get_mut(range)) {
            named.copy_from_slice(&self.asked.to_le_bytes());
        }
        if how & 1 != 0 {
            wire::seal(&mut frame);
        }
        frame
    }
}

/// What the bench sends is good, and its latest feedback is remembered.
fn note(sent: &[u8], asked: &mut u32) {
    match decode(sent).expect("the bench itself speaks the protocol").message {
        Message::Feedback(feedback) => *asked = feedback.exchange,
        Message::TorqueFeedback(feedback) => *asked = feedback.exchange,
        Message::VoltageFeedback(feedback) => *asked = feedback.exchange,
        _ => {}
    }
}
