//! The exchange rate of lockstep over a pseudo-terminal (pty) with stride 1 beside a bare blocking ping-pong over a pty
//! with as many bytes each way.
//!
//! Both are measured from the same process, in turn, block by block, against a partner in another process, which has made
//! the pty: for lockstep `plantstand score --link pty`, which starts this program as its method; for the bare ping-pong
//! this program once more. Idle states of the processor are held off for both where the system allows it.
//!
//! usage: ptypong PLANTSTAND SCENARIO (its stride 1, its budgets wide). What it does not: tune. Start reading at [`main`].

use std::fs::File;
use std::io::{BufRead, BufReader, Read, Write};
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

use nix::pty::openpty;
use nix::sys::termios::{SetArg, cfmakeraw, tcgetattr, tcsetattr};
use nix::unistd::ttyname;
use plantstand::host::idle::Awake;
use plantstand::wire::codec::{decode, encode};
use plantstand::wire::layout::MAX_FRAME_BYTES;
use plantstand::wire::message::{
    Close, CloseReason, CommandFrame, FeedbackFrame, Frame, Message, Open, Sample, Text, Value,
};
use plantstand::wire::series::Series;
use plantstand::wire::stream::{Unstuffer, stuff};
use plantstand_bench::{Asked, alternate, idle_words, measured_as_method, row};

const BLOCKS: usize = 21;
/// Long enough for thousands of exchanges, and much shorter than the bench's patience with the side that rests.
const BLOCK: Duration = Duration::from_millis(400);

fn main() {
    let words: Vec<String> = std::env::args().skip(1).collect();
    let words: Vec<&str> = words.iter().map(String::as_str).collect();
    match words[..] {
        ["measure", out] => measure(out),
        ["echo", asked_bytes, answer_bytes] => {
            echo(asked_bytes.parse().expect("a number of bytes"), answer_bytes.parse().expect("a number of bytes"));
        }
        [plantstand, scenario] => print!("{}", measured_as_method(plantstand, scenario, &["--link", "pty"], "")),
        _ => panic!("usage: ptypong PLANTSTAND SCENARIO"),
    }
}

/// The method: measures, writes the rows, leaves.
fn measure(out: &str) {
    let awake = Awake::hold();
    let mut lockstep = Lockstep::connect();
    let mut bare = Bare::start();
    let paired = alternate(BLOCKS, || lockstep.rate_hz(), || bare.rate_hz());
    lockstep.send(Message::Close(Close { reason: CloseReason::Leaving }));
    let idle = idle_words(&awake);
    let rows = [
        row("lockstep over a pty, stride 1", "exchanges/s", &paired.first, 0, Asked::Nothing),
        row(&format!("bare pty ping-pong, as many bytes ({idle})"), "exchanges/s", &paired.second, 0, Asked::Nothing),
        row("ratio of the two, block by block", "", &paired.ratios(), 3, Asked::AtLeast(0.8)),
    ];
    std::fs::write(out, rows.join("\n") + "\n").expect("the rows can be written");
}

/// Opens the other end of a pty, raw; reads and writes block.
fn open_raw(path: &str) -> File {
    let file = File::options().read(true).write(true).open(path).expect("the pty is there");
    let mut settings = tcgetattr(&file).expect("a terminal");
    cfmakeraw(&mut settings);
    tcsetattr(&file, SetArg::TCSANOW, &settings).expect("a pty can be raw");
    file
}

/// A connection to the bench that answers every feedback at once.
struct Lockstep {
    line: File,
    unstuffer: Unstuffer,
    input: Vec<u8>,
    stuffed: Vec<u8>,
    sequence: u32,
    /// The exchange that was answered last.
    answered: Option<u32>,
}

impl Lockstep {
    fn connect() -> Self {
        let link = std::env::var("PLANTSTAND_LINK").expect("the bench names its line");
        let line = link.strip_prefix("serial:").and_then(|line| line.rsplit_once(':')).expect("a serial link").0;
        let mut lockstep = Self {
            line: open_raw(line),
            unstuffer: Unstuffer::new(),
            input: Vec::new(),
            stuffed: Vec::new(),
            sequence: 0,
            answered: None,
        };
        lockstep.send(Message::Open(Open { token: token(), name: Text::new("pty ping-pong") }));
        let accept = loop {
            match lockstep.receive() {
                Message::Accept(accept) => break accept,
                Message::Refuse(refuse) => panic!("refused: {}", refuse.detail),
                _ => {}
            }
        };
        assert_eq!(accept.stride_ticks, 1, "the scenario has another stride");
        lockstep
    }

    fn send(&mut self, message: Message) {
        self.sequence += 1;
        let mut bytes = [0; MAX_FRAME_BYTES];
        let length = encode(&Frame { sequence: self.sequence, message }, &mut bytes);
        stuff(&bytes[..length], &mut self.stuffed);
        self.line.write_all(&self.stuffed).expect("the bench is there");
    }

    fn receive(&mut self) -> Message {
        let mut buffer = [0; 4096];
        loop {
            let mut bytes = &self.input[..];
            let message =
                self.unstuffer.next_frame(&mut bytes).map(|frame| decode(frame).expect("a good frame").message);
            let taken = self.input.len() - bytes.len();
            self.input.drain(..taken);
            if let Some(message) = message {
                return message;
            }
            let length = self.line.read(&mut buffer).expect("the bench goes on");
            self.input.extend_from_slice(&buffer[..length]);
        }
    }

    /// Exchanges per second over one block. A feedback that came again while this side rested is answered as before and
    /// not counted.
    fn rate_hz(&mut self) -> f64 {
        let started = Instant::now();
        let mut exchanges = 0_u32;
        while started.elapsed() < BLOCK {
            let Message::Feedback(feedback) = self.receive() else { continue };
            if self.answered.is_some_and(|answered| feedback.exchange <= answered) {
                self.line.write_all(&self.stuffed).expect("the bench is there");
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
    line: File,
    command: Vec<u8>,
    feedback_bytes: usize,
    partner: Child,
}

impl Bare {
    fn start() -> Self {
        let (feedback_bytes, command) = same_sizes();
        let mut partner = Command::new(std::env::current_exe().expect("a program knows its place"))
            .args(["echo", &command.len().to_string(), &feedback_bytes.to_string()])
            .stdin(Stdio::null())
            .stdout(Stdio::piped())
            .spawn()
            .expect("the partner starts");
        let mut path = String::new();
        let said = partner.stdout.take().expect("its standard output");
        BufReader::new(said).read_line(&mut path).expect("it names its pty");
        let mut line = open_raw(path.trim());
        line.write_all(&command).expect("the partner is there");
        Self { line, command, feedback_bytes, partner }
    }

    fn rate_hz(&mut self) -> f64 {
        let mut bytes = [0; 4096];
        let started = Instant::now();
        let mut exchanges = 0_u32;
        while started.elapsed() < BLOCK {
            read_all(&mut self.line, &mut bytes, self.feedback_bytes);
            self.line.write_all(&self.command).expect("the partner is there");
            exchanges += 1;
        }
        f64::from(exchanges) / started.elapsed().as_secs_f64()
    }
}

impl Drop for Bare {
    fn drop(&mut self) {
        let _ = self.partner.kill();
        let _ = self.partner.wait();
    }
}

/// Reads so many bytes, in as many pieces as they come.
fn read_all(line: &mut impl Read, bytes: &mut [u8], wanted: usize) {
    let mut found = 0;
    while found < wanted {
        found += line.read(bytes).expect("the other side goes on");
    }
    assert_eq!(found, wanted);
}

/// The bytes on a line of a feedback with one sample, and a command with one value.
fn same_sizes() -> (usize, Vec<u8>) {
    let samples = Series::from_slice(&[Sample::default()]).expect("one sample fits");
    let feedback = FeedbackFrame { exchange: 0, first_tick: 0, trip: 0, statusword: 0, samples };
    let on_a_line = |message| {
        let mut bytes = [0; MAX_FRAME_BYTES];
        let length = encode(&Frame { sequence: 1, message }, &mut bytes);
        let mut stuffed = Vec::new();
        stuff(&bytes[..length], &mut stuffed);
        stuffed
    };
    (on_a_line(Message::Feedback(feedback)).len(), on_a_line(Message::Command(command(0))))
}

/// Makes a pty, names it, and answers every `asked_bytes` on it with `answer_bytes` until it is ended.
fn echo(asked_bytes: usize, answer_bytes: usize) {
    // The other end is held, so that nothing hangs up before it has been opened by its name.
    let pty = openpty(None, None).expect("a pty");
    println!("{}", ttyname(&pty.slave).expect("a pty has a name").display());
    let mut line = File::from(pty.master);
    let (answer, mut bytes) = (vec![1; answer_bytes], [0; 4096]);
    loop {
        read_all(&mut line, &mut bytes, asked_bytes);
        line.write_all(&answer).expect("the other side is there");
    }
}
