//! The exchange rate of lockstep over loopback UDP with stride 1 beside a bare blocking ping-pong of the same frame sizes.
//!
//! Both are measured from the same process, in turn, block by block, against a partner in another process: for lockstep
//! `plantstand score`, which starts this program as its method; for the bare ping-pong this program once more. Idle
//! states of the processor are held off for both where the system allows it.
//!
//! usage: pingpong PLANTSTAND SCENARIO (its stride 1, its budgets wide). What it does not: tune. Start reading at [`main`].

use std::io::ErrorKind;
use std::net::UdpSocket;
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

use plantstand::wire::codec::{decode, encode};
use plantstand::wire::layout::MAX_FRAME_BYTES;
use plantstand::wire::message::{
    Close, CloseReason, CommandFrame, FeedbackFrame, Frame, Message, Open, Sample, Series, Text, Value,
};
use plantstand_bench::{Asked, alternate, row, stay_awake};

const BLOCKS: usize = 21;
/// Long enough for thousands of exchanges, and much shorter than the bench's patience with the side that rests.
const BLOCK: Duration = Duration::from_millis(400);
const RECEIVE_TIMEOUT: Duration = Duration::from_secs(5);

fn main() {
    let words: Vec<String> = std::env::args().skip(1).collect();
    let words: Vec<&str> = words.iter().map(String::as_str).collect();
    match words[..] {
        ["measure", out] => measure(out),
        ["echo", port, answer_bytes] => echo(port, answer_bytes.parse().expect("a number of bytes")),
        [plantstand, scenario] => run(plantstand, scenario),
        _ => panic!("usage: pingpong PLANTSTAND SCENARIO"),
    }
}

/// Lets the bench start this program as its method, and prints what that measured.
fn run(plantstand: &str, scenario: &str) {
    let own = std::env::current_exe().expect("a program knows its place");
    let out = own.with_extension("rows");
    let method = format!("'{}' measure '{}'", own.display(), out.display());
    let finished = Command::new(plantstand)
        .args(["score", scenario, "--no-record", "--method", &method])
        .stdin(Stdio::null())
        .output()
        .unwrap_or_else(|error| panic!("{plantstand} does not start: {error}"));
    let rows = std::fs::read_to_string(&out)
        .unwrap_or_else(|_| panic!("nothing was measured:\n{}", String::from_utf8_lossy(&finished.stderr)));
    std::fs::remove_file(&out).expect("the program's own file");
    print!("{rows}");
}

/// The method: measures, writes the rows, leaves.
fn measure(out: &str) {
    let awake = stay_awake();
    let mut lockstep = Lockstep::connect();
    let mut bare = Bare::start();
    let paired = alternate(BLOCKS, || lockstep.rate_hz(), || bare.rate_hz());
    lockstep.send(Message::Close(Close { reason: CloseReason::Leaving }));
    let idle = if awake.is_some() { "idle states off" } else { "idle states NOT off: the system refused" };
    let rows = [
        row("lockstep over loopback UDP, stride 1", "exchanges/s", &paired.first, 0, Asked::Nothing),
        row(&format!("bare ping-pong, same frame sizes ({idle})"), "exchanges/s", &paired.second, 0, Asked::Nothing),
        row("ratio of the two, block by block", "", &paired.ratios(), 3, Asked::AtLeast(0.85)),
    ];
    std::fs::write(out, rows.join("\n") + "\n").expect("the rows can be written");
}

/// A connection to the bench that answers every feedback at once.
struct Lockstep {
    socket: UdpSocket,
    sequence: u32,
    /// The exchange that was answered last, and the bytes of that answer.
    answered: Option<u32>,
    answer: Vec<u8>,
}

impl Lockstep {
    fn connect() -> Self {
        let link = std::env::var("PLANTSTAND_LINK").expect("the bench names its address");
        let address = link.strip_prefix("udp:").expect("the bench listens on UDP").to_owned();
        let host = address.rsplit_once(':').expect("an address has a port").0.to_owned();
        let socket = UdpSocket::bind("127.0.0.1:0").expect("a free port");
        socket.connect(&address).expect("the bench's address");
        socket.set_read_timeout(Some(RECEIVE_TIMEOUT)).expect("a timeout");
        let mut lockstep = Self { socket, sequence: 0, answered: None, answer: Vec::new() };
        lockstep.send(Message::Open(Open { token: token(), name: Text::new("ping-pong") }));
        let accept = loop {
            match lockstep.receive() {
                Message::Accept(accept) => break accept,
                Message::Refuse(refuse) => panic!("refused: {}", refuse.detail),
                _ => {}
            }
        };
        assert_eq!(accept.stride_ticks, 1, "the scenario has another stride");
        lockstep.socket.connect(format!("{host}:{}", accept.port)).expect("the bench's new port");
        lockstep
    }

    fn send(&mut self, message: Message) {
        self.sequence += 1;
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

    /// Exchanges per second over one block. A feedback that came again while this side rested is answered as before and
    /// not counted.
    fn rate_hz(&mut self) -> f64 {
        let started = Instant::now();
        let mut exchanges = 0_u32;
        while started.elapsed() < BLOCK {
            let Message::Feedback(feedback) = self.receive() else { continue };
            if self.answered.is_some_and(|answered| feedback.exchange <= answered) {
                self.socket.send(&self.answer).expect("the bench is there");
                continue;
            }
            self.send(Message::Command(command(feedback.exchange)));
            self.answered = Some(feedback.exchange);
            exchanges += 1;
        }
        f64::from(exchanges) / started.elapsed().as_secs_f64()
    }
}

/// Enables the drive step by step, then lets the axis turn to and fro within some turns.
fn command(exchange: u32) -> CommandFrame {
    let controlword = [0x0006, 0x0007].get(exchange as usize).copied().unwrap_or(0x000F);
    let speed_rad_per_s = if (exchange / 4000).is_multiple_of(2) { 20.0 } else { -20.0 };
    let value = Value { speed_rad_per_s, ..Value::default() };
    let values = Series::from_slice(&[value]).expect("one value fits");
    CommandFrame { exchange, controlword, compute_us: 0, values }
}

/// The token of the environment: 16 bytes as hexadecimal digits.
fn token() -> [u8; 16] {
    let digits = std::env::var("PLANTSTAND_TOKEN").expect("the bench gives a token");
    let number = u128::from_str_radix(&digits, 16).expect("a token is hexadecimal");
    number.to_be_bytes()
}

/// The bare ping-pong: this side answers as a client would, the other side is this program once more.
struct Bare {
    socket: UdpSocket,
    command: Vec<u8>,
    feedback_bytes: usize,
    partner: Child,
}

impl Bare {
    fn start() -> Self {
        let (feedback_bytes, command) = same_sizes();
        let socket = UdpSocket::bind("127.0.0.1:0").expect("a free port");
        socket.set_read_timeout(Some(RECEIVE_TIMEOUT)).expect("a timeout");
        let port = socket.local_addr().expect("a bound socket has an address").port();
        let partner = Command::new(std::env::current_exe().expect("a program knows its place"))
            .args(["echo", &port.to_string(), &feedback_bytes.to_string()])
            .stdin(Stdio::null())
            .spawn()
            .expect("the partner starts");
        let mut bytes = [0; MAX_FRAME_BYTES];
        let (_, address) = socket.recv_from(&mut bytes).expect("the partner greets");
        socket.connect(address).expect("the partner's address");
        Self { socket, command, feedback_bytes, partner }
    }

    fn rate_hz(&mut self) -> f64 {
        let mut bytes = [0; MAX_FRAME_BYTES];
        let started = Instant::now();
        let mut exchanges = 0_u32;
        while started.elapsed() < BLOCK {
            self.socket.send(&self.command).expect("the partner is there");
            let length = self.socket.recv(&mut bytes).expect("the partner answers");
            assert_eq!(length, self.feedback_bytes);
            exchanges += 1;
        }
        f64::from(exchanges) / started.elapsed().as_secs_f64()
    }
}

impl Drop for Bare {
    fn drop(&mut self) {
        // An empty datagram ends the partner.
        let _ = self.socket.send(&[]);
        let _ = self.partner.wait();
    }
}

/// The bytes of a feedback with one sample, and a command with one value.
fn same_sizes() -> (usize, Vec<u8>) {
    let samples = Series::from_slice(&[Sample::default()]).expect("one sample fits");
    let feedback = FeedbackFrame { exchange: 0, first_tick: 0, trip: 0, statusword: 0, samples };
    let mut bytes = [0; MAX_FRAME_BYTES];
    let feedback_bytes = encode(&Frame { sequence: 1, message: Message::Feedback(feedback) }, &mut bytes);
    let command_bytes = encode(&Frame { sequence: 1, message: Message::Command(command(0)) }, &mut bytes);
    (feedback_bytes, bytes[..command_bytes].to_vec())
}

/// Answers every datagram with one of `answer_bytes` until an empty one comes, or none for a while.
fn echo(port: &str, answer_bytes: usize) {
    let socket = UdpSocket::bind("127.0.0.1:0").expect("a free port");
    socket.connect(format!("127.0.0.1:{port}")).expect("the other side's address");
    socket.set_read_timeout(Some(RECEIVE_TIMEOUT)).expect("a timeout");
    let answer = vec![0; answer_bytes];
    socket.send(&answer).expect("the other side listens");
    let mut bytes = [0; MAX_FRAME_BYTES];
    loop {
        match socket.recv(&mut bytes) {
            Ok(0) => return,
            Ok(_) => socket.send(&answer).map(drop).expect("the other side is there"),
            Err(error) if matches!(error.kind(), ErrorKind::WouldBlock | ErrorKind::TimedOut) => return,
            Err(error) => panic!("{error}"),
        }
    }
}
