//! The exchange rate of lockstep over loopback UDP with stride 1 beside a bare blocking ping-pong of the same frame sizes.
//!
//! All are measured from the same process, in turn, block by block, against a partner in another process: for lockstep
//! `plantstand score`, which starts this program as its method; for the bare ping-pong this program once more. Lockstep
//! as shipped, with bench and method on one processor, and with both wherever the system puts them; the bare ping-pong of
//! two processes on two processors, on one, and wherever the system puts them, which is often one. With nothing, one and two busy processes beside them. Idle states of the processor are held off for all where the system allows it.
//!
//! usage: pingpong PLANTSTAND SCENARIO (its stride 1, its budgets wide). What it does not: tune. Start reading at [`main`].

use std::cell::RefCell;
use std::io::ErrorKind;
use std::net::UdpSocket;
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

use plantstand::host::idle::Awake;
use plantstand::wire::codec::encode;
use plantstand::wire::layout::MAX_FRAME_BYTES;
use plantstand::wire::message::{FeedbackFrame, Frame, Message, Sample, Series};
use plantstand_bench::processors::{self, Busy, OWN};
use plantstand_bench::turning::{RECEIVE_TIMEOUT, Turning, command};
use plantstand_bench::{Asked, idle_words, in_turn, measured_as_method, ratios, row};

const BLOCKS: usize = 15;
/// Long enough for thousands of exchanges, and much shorter than the bench's patience with the side that rests.
const BLOCK: Duration = Duration::from_millis(300);

fn main() {
    let words: Vec<String> = std::env::args().skip(1).collect();
    let words: Vec<&str> = words.iter().map(String::as_str).collect();
    match words[..] {
        ["measure", out] => measure(out),
        ["echo", port, answer_bytes] => echo(port, answer_bytes.parse().expect("a number of bytes")),
        ["busy"] => processors::burn(),
        [plantstand, scenario] => print!("{}", measured_as_method(plantstand, scenario, &[], "")),
        _ => panic!("usage: pingpong PLANTSTAND SCENARIO"),
    }
}

/// The method: measures, writes the rows, leaves.
fn measure(out: &str) {
    let awake = Awake::hold();
    let bench = std::os::unix::process::parent_id();
    let turning = RefCell::new(Turning::connect());
    let bare = RefCell::new(Bare::start());
    let idle = idle_words(&awake);
    let mut rows = Vec::new();
    for (busy, beside) in [(0, ""), (1, ", one busy process beside"), (2, ", two busy processes beside")] {
        let _busy = Busy::start(busy);
        let mut shipped = || {
            let shared = processors::current();
            processors::one(OWN, shared);
            processors::one(bench, shared);
            turning.borrow_mut().rate_hz(BLOCK)
        };
        let mut anywhere = || {
            processors::all(OWN);
            processors::all(bench);
            turning.borrow_mut().rate_hz(BLOCK)
        };
        let own = processors::current();
        let mut apart = || {
            processors::one(OWN, own);
            processors::one(bare.borrow().partner.id(), processors::another(own));
            bare.borrow_mut().rate_hz()
        };
        let mut together = || {
            processors::one(OWN, own);
            processors::one(bare.borrow().partner.id(), own);
            bare.borrow_mut().rate_hz()
        };
        let mut bare_anywhere = || {
            processors::all(OWN);
            processors::all(bare.borrow().partner.id());
            bare.borrow_mut().rate_hz()
        };
        let mut things: [&mut dyn FnMut() -> f64; 5] =
            [&mut shipped, &mut anywhere, &mut apart, &mut together, &mut bare_anywhere];
        let values = in_turn(BLOCKS, &mut things);
        let asked = if busy == 0 { Asked::AtLeast(0.95) } else { Asked::Nothing };
        let mut add = |what: &str, unit: &str, values: &[f64], digits: usize, asked: Asked| {
            rows.push(row(&format!("{what}{beside}"), unit, values, digits, asked));
        };
        add("lockstep over loopback UDP, stride 1", "exchanges/s", &values[0], 0, Asked::Nothing);
        add("the same, both wherever the system puts them", "exchanges/s", &values[1], 0, Asked::Nothing);
        let words = format!("bare ping-pong, same frame sizes, on two processors ({idle})");
        add(&words, "round trips/s", &values[2], 0, Asked::Nothing);
        add("bare ping-pong, both on one processor", "round trips/s", &values[3], 0, Asked::Nothing);
        add("bare ping-pong, wherever the system puts them", "round trips/s", &values[4], 0, Asked::Nothing);
        let over = |bare: usize| ratios(&values[0], &values[bare]);
        add("lockstep over bare on two processors, block by block", "", &over(2), 2, asked);
        add("lockstep over bare on one processor", "", &over(3), 2, Asked::Nothing);
        add("lockstep over bare wherever the system puts them", "", &over(4), 2, Asked::Nothing);
    }
    turning.into_inner().leave();
    std::fs::write(out, rows.join("\n") + "\n").expect("the rows can be written");
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
