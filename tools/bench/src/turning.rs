//! A method that answers every feedback at once and lets the axis turn to and fro: what the link is measured with.
//!
//! What it does not: tune. Start reading at [`Turning::connect`].

use std::net::UdpSocket;
use std::time::{Duration, Instant};

use plantstand::wire::codec::{decode, encode};
use plantstand::wire::layout::MAX_FRAME_BYTES;
use plantstand::wire::message::{Close, CloseReason, CommandFrame, Frame, Message, Open, Series, Text, Value};

/// How long the bench may be silent before the measurement is given up.
pub const RECEIVE_TIMEOUT: Duration = Duration::from_secs(30);

/// A connection to the bench.
pub struct Turning {
    socket: UdpSocket,
    sequence: u32,
    /// The exchange that was answered last, and the bytes of that answer.
    answered: Option<u32>,
    answer: Vec<u8>,
}

impl Turning {
    /// Connects as the method that the bench has started.
    ///
    /// # Panics
    /// When the bench is not there, refuses, or has an exchange every few ticks.
    #[must_use]
    pub fn connect() -> Self {
        let link = std::env::var("PLANTSTAND_LINK").expect("the bench names its address");
        let address = link.strip_prefix("udp:").expect("the bench listens on UDP").to_owned();
        let host = address.rsplit_once(':').expect("an address has a port").0.to_owned();
        let socket = UdpSocket::bind("127.0.0.1:0").expect("a free port");
        socket.connect(&address).expect("the bench's address");
        socket.set_read_timeout(Some(RECEIVE_TIMEOUT)).expect("a timeout");
        let mut turning = Self { socket, sequence: 0, answered: None, answer: Vec::new() };
        turning.send(Message::Open(Open { token: token(), name: Text::new("ping-pong") }));
        let accept = loop {
            match turning.receive() {
                Message::Accept(accept) => break accept,
                Message::Refuse(refuse) => panic!("refused: {}", refuse.detail),
                _ => {}
            }
        };
        assert_eq!(accept.stride_ticks, 1, "the scenario has another stride");
        turning.socket.connect(format!("{host}:{}", accept.port)).expect("the bench's new port");
        turning
    }

    /// Waits for the next feedback and answers it. One that comes again, while this side rested, is answered as before.
    ///
    /// # Panics
    /// When the bench does not go on.
    pub fn exchange(&mut self) {
        loop {
            let Message::Feedback(feedback) = self.receive() else { continue };
            if self.answered.is_some_and(|answered| feedback.exchange <= answered) {
                self.socket.send(&self.answer).expect("the bench is there");
                continue;
            }
            self.answered = Some(feedback.exchange);
            return self.send(Message::Command(command(feedback.exchange)));
        }
    }

    /// Exchanges per second over a block of time.
    ///
    /// # Panics
    /// When the bench does not go on.
    pub fn rate_hz(&mut self, block: Duration) -> f64 {
        let started = Instant::now();
        let mut exchanges = 0_u32;
        while started.elapsed() < block {
            self.exchange();
            exchanges += 1;
        }
        f64::from(exchanges) / started.elapsed().as_secs_f64()
    }

    /// Says that it leaves.
    ///
    /// # Panics
    /// When the bench is gone already.
    pub fn leave(mut self) {
        self.send(Message::Close(Close { reason: CloseReason::Leaving }));
    }

    fn send(&mut self, message: Message) {
        self.sequence = self.sequence.wrapping_add(1);
        let mut bytes = [0; MAX_FRAME_BYTES];
        let length = encode(&Frame { sequence: self.sequence, message }, &mut bytes);
        self.socket.send(&bytes[..length]).expect("the bench is there");
        self.answer.clear();
        self.answer.extend_from_slice(&bytes[..length]);
    }

    fn receive(&mut self) -> Message {
        let mut bytes = [0; MAX_FRAME_BYTES];
        let length = self.socket.recv(&mut bytes).expect("the bench goes on");
        decode(&bytes[..length]).expect("the bench sends good frames").message
    }
}

/// Enables the drive step by step, then lets the axis turn to and fro within some turns.
#[must_use]
pub fn command(exchange: u32) -> CommandFrame {
    let controlword = [0x0006, 0x0007].get(exchange as usize).copied().unwrap_or(0x000F);
    let speed_rad_per_s = if (exchange / 4000).is_multiple_of(2) { 20.0 } else { -20.0 };
    let value = Value { speed_rad_per_s, ..Value::default() };
    let values = Series::from_slice(&[value]).unwrap_or_default();
    CommandFrame { exchange, controlword, compute_us: 0, values }
}

/// The token of the environment: 16 bytes as hexadecimal digits.
fn token() -> [u8; 16] {
    let digits = std::env::var("PLANTSTAND_TOKEN").expect("the bench gives a token");
    let number = u128::from_str_radix(&digits, 16).expect("a token is hexadecimal");
    number.to_be_bytes()
}
