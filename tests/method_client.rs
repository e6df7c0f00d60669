//! The promise of the client: over a link that loses, repeats and garbles frames every command acts once and in order,
//! every request once; a bench that refuses, leaves or falls silent ends in a stated reason, never in a wait without end.
//!
//! The bench here is a stand-in of a few settings, without a drive; what it is asked, it remembers.

use std::collections::{BTreeMap, VecDeque};

use plantstand::base::random::Stream;
use plantstand::base::signal::{Feedback, Request};
use plantstand::method::axis::{Axis, Stop};
use plantstand::method::client::{Client, Transport, TransportError};
use plantstand::wire::codec::{decode, encode};
use plantstand::wire::layout::MAX_FRAME_BYTES;
use plantstand::wire::message::{
    Accept, Close, CloseReason, CommandFrame, Commands, FeedbackFrame, Frame, Message, Pace, Phase, PhaseKind, Refuse,
    RefuseReason, ResultFrame, Sample, Samples, SettingAnswer, SettingOutcome, SettingRow, Text, Verdict,
};

const STRIDE: usize = 4;
const NAMES: [&str; 2] = ["speed_gain_nms_per_rad", "torque_limit_nm"];

/// What is wrong with the link or the bench.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Trouble {
    None,
    /// This many of a hundred frames are lost, in either direction.
    Loses(u32),
    /// Every frame to the client comes twice, and a garbled one before it.
    RepeatsAndGarbles,
    /// The open is refused.
    Refuses,
    /// The bench leaves after this many exchanges.
    Leaves(u32),
    /// The bench says nothing after this many exchanges.
    FallsSilent(u32),
}

/// The stand-in.
struct Bench {
    trouble: Trouble,
    chance: Stream,
    sequence: u32,
    exchange: u32,
    feedback: Vec<u8>,
    waiting: VecDeque<Vec<u8>>,
    /// Answer of each request by its sequence number: a repeated one gets the same bytes.
    answered: BTreeMap<u32, Vec<u8>>,
    values: [f64; 2],
    writes: u32,
    stores: u32,
    commands: Vec<CommandFrame>,
    /// Frames of commands as they came, repeated ones included.
    command_bytes: Vec<(u32, Vec<u8>)>,
    waits: u32,
}

impl Bench {
    fn new(trouble: Trouble) -> Self {
        Self {
            trouble,
            chance: Stream::new(11, "loss"),
            sequence: 0,
            exchange: 0,
            feedback: Vec::new(),
            waiting: VecDeque::new(),
            answered: BTreeMap::new(),
            values: [0.05, 8.0],
            writes: 0,
            stores: 0,
            commands: Vec::new(),
            command_bytes: Vec::new(),
            waits: 0,
        }
    }

    fn framed(&mut self, message: Message) -> Vec<u8> {
        self.sequence += 1;
        let mut bytes = [0; MAX_FRAME_BYTES];
        let length = encode(&Frame { sequence: self.sequence, message }, &mut bytes);
        bytes[..length].to_vec()
    }

    fn lost(&mut self) -> bool {
        match self.trouble {
            Trouble::Loses(percent) => self.chance.uniform() < f64::from(percent) / 100.0,
            _ => false,
        }
    }

    fn out(&mut self, bytes: Vec<u8>) {
        if self.lost() {
            return;
        }
        if self.trouble == Trouble::RepeatsAndGarbles {
            let mut garbled = bytes.clone();
            garbled[5] ^= 0x40;
            self.waiting.extend([garbled, bytes.clone()]);
        }
        self.waiting.push_back(bytes);
    }

    fn say(&mut self, message: Message) {
        let bytes = self.framed(message);
        self.out(bytes);
    }

    fn show(&mut self) {
        let mut samples = Samples::new();
        for tick in 0..STRIDE {
            samples.push(Sample { counts: i64::from(self.exchange) * 100 + tick as i64, ..Sample::default() });
        }
        let first_tick = u64::from(self.exchange) * STRIDE as u64;
        let frame = FeedbackFrame { exchange: self.exchange, first_tick, trip: 0, statusword: 0x0270, samples };
        self.feedback = self.framed(Message::Feedback(frame));
        self.out(self.feedback.clone());
    }

    fn opened(&mut self) {
        if self.trouble == Trouble::Refuses {
            let detail = Text::new("somebody else is in command");
            let refuse = Refuse { reason: RefuseReason::Busy, version_min: 1, version_max: 1, detail };
            return self.say(Message::Refuse(refuse));
        }
        self.say(Message::Accept(Accept {
            port: 7001,
            version_min: 1,
            version_max: 1,
            commands: Commands::Speed,
            pace: Pace::Lockstep,
            tick_hz: 8000,
            stride_ticks: STRIDE as u16,
            endless: true,
            travel_deg: [0.0, 0.0],
            window_deg: [-720.0, 720.0],
            path_deg: 20_000.0,
            max_speed_rad_per_s: 94.0,
            time_s: 60.0,
            nonce: 9,
            title: Text::new("a stand-in"),
        }));
    }

    fn commanded(&mut self, command: CommandFrame) {
        if command.exchange != self.exchange {
            return;
        }
        self.commands.push(command);
        self.exchange += 1;
        match self.trouble {
            Trouble::Leaves(after) if after <= self.exchange => {
                self.say(Message::Close(Close { reason: CloseReason::OutOfTime }))
            }
            Trouble::FallsSilent(after) if after <= self.exchange => self.feedback.clear(),
            _ => self.show(),
        }
    }

    /// A request acts once; repeated, it gets the same answer.
    fn requested(&mut self, request: u32, message: &Message) {
        if let Some(bytes) = self.answered.get(&request) {
            return self.out(bytes.clone());
        }
        let answer = self.answer(request, message);
        let bytes = self.framed(answer);
        self.answered.insert(request, bytes.clone());
        self.out(bytes);
    }

    fn answer(&mut self, request: u32, message: &Message) -> Message {
        let said = |number: u16, value: f64, outcome| {
            Message::SettingAnswer(SettingAnswer { request, number, outcome, value })
        };
        match message {
            Message::SettingList(list) => {
                let index = usize::from(list.index);
                Message::SettingRow(SettingRow {
                    request,
                    index: list.index,
                    total: NAMES.len() as u16,
                    number: list.index + 1,
                    writable_while_enabled: true,
                    low: 0.0,
                    high: 100.0,
                    value: self.values[index],
                    default: 0.0,
                    name: Text::new(NAMES[index]),
                    unit: Text::new(""),
                })
            }
            Message::SettingWrite(write) if write.value <= 100.0 => {
                self.writes += 1;
                self.values[usize::from(write.number) - 1] = write.value;
                said(write.number, write.value, SettingOutcome::Done)
            }
            Message::SettingWrite(write) => said(write.number, self.values[0], SettingOutcome::OutOfRange),
            Message::SettingRead(read) => {
                said(read.number, self.values[usize::from(read.number) - 1], SettingOutcome::Done)
            }
            _ => {
                self.stores += 1;
                said(0, 0.0, SettingOutcome::Done)
            }
        }
    }

    fn finished(&mut self) {
        self.say(Message::Phase(Phase { phase: PhaseKind::PowerCycle, corner: 0 }));
        self.say(Message::Result(ResultFrame { verdict: Verdict::Pass, grade_percent: 70.0, text: Text::new("held") }));
    }
}

/// The client's way to the stand-in.
struct Link<'a>(&'a mut Bench);

impl Transport for Link<'_> {
    fn send(&mut self, frame: &[u8]) -> Result<(), TransportError> {
        if self.0.lost() {
            return Ok(());
        }
        let Frame { sequence, message } = decode(frame).expect("a client sends well-formed frames");
        match message {
            Message::Open(_) => self.0.opened(),
            Message::Command(command) => {
                self.0.command_bytes.push((command.exchange, frame.to_vec()));
                self.0.commanded(command);
            }
            Message::Done => self.0.finished(),
            Message::Probe(_) | Message::Echo(_) | Message::Log(_) | Message::Close(_) => {}
            request => self.0.requested(sequence, &request),
        }
        Ok(())
    }

    /// An empty wait is a tenth of a second on the clock of the stand-in: it shows its feedback again.
    fn receive(&mut self, buffer: &mut [u8]) -> Result<Option<usize>, TransportError> {
        let Some(frame) = self.0.waiting.pop_front() else {
            self.0.waits += 1;
            if !self.0.feedback.is_empty() {
                self.0.out(self.0.feedback.clone());
            }
            return Ok(None);
        };
        buffer[..frame.len()].copy_from_slice(&frame);
        Ok(Some(frame.len()))
    }

    fn follow(&mut self, port: u16) -> Result<(), TransportError> {
        assert_eq!(port, 7001);
        self.0.show();
        Ok(())
    }
}

/// Twenty exchanges, a write, a read, a store, done.
fn run(bench: &mut Bench) -> Result<ResultFrame, Stop> {
    let mut client = Client::open(Link(bench), [7; 16], "tester")?;
    let mut shown: Vec<Feedback> = Vec::new();
    for exchange in 0..20_u32 {
        let ask = |tick: usize| Request {
            controlword: 6,
            speed_rad_per_s: f64::from(exchange),
            torque_offset_nm: tick as f64,
            ..Request::default()
        };
        let requests: Vec<Request> = (0..STRIDE).map(ask).collect();
        client.exchange(&requests, &mut shown)?;
        assert_eq!(shown.len(), STRIDE);
        assert_eq!(shown[0].tick, u64::from(exchange + 1) * STRIDE as u64, "feedback of the ticks that were asked for");
        assert_eq!(shown[1].counts, i64::from(exchange + 1) * 100 + 1);
    }
    client.write("speed_gain_nms_per_rad", 0.3)?;
    assert_eq!(client.read("speed_gain_nms_per_rad")?, 0.3);
    client.store()?;
    client.log("done")?;
    client.done()
}

fn check_survives(trouble: Trouble) {
    let mut bench = Bench::new(trouble);
    let result = run(&mut bench).expect("the run gets to its end");
    assert_eq!(result.verdict, Verdict::Pass);
    assert_eq!((bench.writes, bench.stores), (1, 1), "{trouble:?}: requests act once");
    let exchanges: Vec<u32> = bench.commands.iter().map(|command| command.exchange).collect();
    assert_eq!(exchanges, (0..20).collect::<Vec<u32>>(), "{trouble:?}: commands act once and in order");
    for (exchange, bytes) in &bench.command_bytes {
        let first = bench.command_bytes.iter().find(|(other, _)| other == exchange).map(|(_, bytes)| bytes);
        assert_eq!(first, Some(bytes), "{trouble:?}: a repeated feedback gets the identical frame");
    }
    for (command, speed) in bench.commands.iter().zip(0..) {
        let values = command.values.as_slice();
        assert_eq!((command.controlword, values.len()), (6, STRIDE));
        assert_eq!((values[3].speed_rad_per_s, values[3].torque_offset_nm), (f64::from(speed), 3.0));
    }
}

fn check_stops(trouble: Trouble, reason: &str) {
    let mut bench = Bench::new(trouble);
    let stop = run(&mut bench).expect_err("the run does not get to its end");
    assert!(stop.reason.contains(reason), "{trouble:?}: '{stop}' does not say '{reason}'");
    assert!(bench.waits < 1000, "{trouble:?}: {} empty waits are no end", bench.waits);
}

#[test]
fn a_good_link_carries_a_run() {
    check_survives(Trouble::None);
}

#[test]
fn lost_frames_change_nothing() {
    for percent in [5, 20, 50] {
        check_survives(Trouble::Loses(percent));
    }
}

#[test]
fn repeated_and_garbled_frames_change_nothing() {
    check_survives(Trouble::RepeatsAndGarbles);
}

#[test]
fn a_refusal_is_given_in_the_bench_s_words() {
    check_stops(Trouble::Refuses, "somebody else is in command");
}

#[test]
fn a_bench_that_leaves_or_falls_silent_ends_the_run() {
    check_stops(Trouble::Leaves(5), "ended the run");
    check_stops(Trouble::FallsSilent(5), "does not answer");
}

#[test]
fn a_refused_write_names_what_is_allowed() {
    let mut bench = Bench::new(Trouble::None);
    let mut client = Client::open(Link(&mut bench), [7; 16], "tester").expect("it opens");
    let refused = client.write("torque_limit_nm", 1e9).expect_err("too much");
    assert!(refused.reason.contains("torque_limit_nm") && refused.reason.contains("0 to 100"), "{refused}");
    let unknown = client.read("torque_limit").expect_err("no such name");
    assert!(unknown.reason.contains("no setting torque_limit"), "{unknown}");
}
