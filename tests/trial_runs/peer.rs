//! A method that talks to a session frame by frame, as the test wants it.
//!
//! What it does not: answer by itself. Start reading at [`Peer`].

use plantstand::bench::session::Session;
use plantstand::drive::setting::Setting;
use plantstand::trial::phases;
use plantstand::wire::codec::{decode, encode};
use plantstand::wire::layout::MAX_FRAME_BYTES;
use plantstand::wire::message::{
    CommandFrame, FeedbackFrame, Frame, HandAction, HandActionKind, HandOutcome, Message, SettingAnswer, SettingRead,
    SettingWrite, Value, Values,
};

use super::scenario_text::{dough_sheeter, read};

/// A method that is driven by hand, frame by frame.
#[derive(Clone)]
pub struct Peer {
    /// The bench's side.
    pub session: Session,
    /// Number of its newest frame.
    pub sequence: u32,
    /// What the bench said, in order.
    pub heard: Vec<Vec<u8>>,
}

impl Peer {
    /// Before the first tick.
    pub fn early() -> Self {
        Self::at(&dough_sheeter())
    }

    /// The same at another machine.
    pub fn at(scenario: &str) -> Self {
        Self { session: phases::tuning(&read(scenario), 7), sequence: 0, heard: Vec::new() }
    }

    /// With its first feedback.
    pub fn begun() -> Self {
        let mut peer = Self::early();
        peer.begin();
        peer
    }

    /// Lets the session begin.
    pub fn begin(&mut self) {
        let Self { session, heard, .. } = self;
        session.begin(&mut |frame| heard.push(frame.to_vec()));
    }

    /// Gives bytes to the bench; whether they were a sign of life.
    pub fn give(&mut self, bytes: &[u8]) -> bool {
        let Self { session, heard, .. } = self;
        session.receive(bytes, &mut |frame| heard.push(frame.to_vec()))
    }

    /// A message under the next number.
    pub fn framed(&mut self, message: Message) -> Vec<u8> {
        self.sequence += 1;
        framed(self.sequence, message)
    }

    /// Says something new; whether it was a sign of life.
    pub fn say(&mut self, message: Message) -> bool {
        let bytes = self.framed(message);
        self.give(&bytes)
    }

    /// The last thing the bench said.
    pub fn last(&self) -> Message {
        decode(self.heard.last().expect("the bench said something")).expect("it speaks the protocol").message
    }

    /// The newest feedback.
    pub fn feedback(&self) -> FeedbackFrame {
        let mut heard = self.heard.iter().rev().filter_map(|bytes| decode(bytes).ok());
        let newest = heard.find_map(|frame| match frame.message {
            Message::Feedback(feedback) => Some(feedback),
            _ => None,
        });
        newest.expect("the bench has sent a feedback")
    }

    /// How many frames were refused for this reason.
    pub fn refused(&self, reason: &str) -> u64 {
        self.session.counts.refused.get(reason).copied().unwrap_or(0)
    }

    /// The bits of every row so far.
    pub fn bits(&self) -> Vec<u64> {
        self.session.taken.rows.iter().flatten().map(|value| value.to_bits()).collect()
    }

    /// Writes a setting.
    pub fn setting(&mut self, setting: Setting, value: f64) -> SettingAnswer {
        self.say(Message::SettingWrite(SettingWrite { number: setting.number(), value }));
        self.answer()
    }

    /// Reads a setting.
    pub fn answered_value(&mut self, setting: Setting) -> f64 {
        self.say(Message::SettingRead(SettingRead { number: setting.number() }));
        self.answer().value
    }

    /// The newest word of the bench, which is an answer about settings.
    pub fn answer(&self) -> SettingAnswer {
        match self.last() {
            Message::SettingAnswer(answer) => answer,
            other => panic!("not an answer about settings: {other:?}"),
        }
    }

    /// Does something by hand.
    pub fn hand(&mut self, action: HandActionKind) -> HandOutcome {
        self.say(Message::HandAction(HandAction { action }));
        match self.last() {
            Message::HandAnswer(answer) => answer.outcome,
            other => panic!("not an answer to a hand action: {other:?}"),
        }
    }

    /// Answers the latest feedback.
    pub fn command(&mut self, controlword: u16, values: &[Value]) {
        let command = command(self.feedback().exchange, controlword, values);
        assert!(self.say(command), "a command in turn was refused: {:?}", self.session.counts);
    }

    /// Walks the drive to operation enabled.
    pub fn enable(&mut self) {
        for controlword in [0x06, 0x07, 0x0F] {
            self.command(controlword, &[]);
        }
    }
}

/// A frame as bytes.
pub fn framed(sequence: u32, message: Message) -> Vec<u8> {
    let mut bytes = [0; MAX_FRAME_BYTES];
    let length = encode(&Frame { sequence, message }, &mut bytes);
    bytes[..length].to_vec()
}

/// A speed setpoint.
pub fn speed(speed_rad_per_s: f64) -> Value {
    Value { speed_rad_per_s, ..Value::default() }
}

/// A command with none, one or many values.
pub fn command(exchange: u32, controlword: u16, values: &[Value]) -> Message {
    let values = Values::from_slice(values).expect("at most a stride of values");
    Message::Command(CommandFrame { exchange, controlword, compute_us: 0, values })
}
