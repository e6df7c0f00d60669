//! Ways to wait for a datagram, side by side: two processes that answer each other over loopback UDP with the frames of
//! an exchange every tick, with nothing, one and two busy processes beside them.
//!
//! The ways: blocking, on whichever processors the system picks, on one processor each, and both on one; a bounded spin
//! before blocking on one processor each, and wherever the system picks. All in turn, block by block, in one run. What it does not: run the bench (`pingpong.rs` does). Start reading at [`main`].

use std::io::ErrorKind;
use std::net::UdpSocket;
use std::os::fd::AsRawFd;
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

use nix::errno::Errno;
use nix::sys::socket::{MsgFlags, recv};
use plantstand::host::idle::Awake;
use plantstand_bench::processors::{self, Busy, OWN};
use plantstand_bench::{Asked, in_turn, row};

const BLOCKS: usize = 9;
const BLOCK: Duration = Duration::from_millis(300);
const RECEIVE_TIMEOUT: Duration = Duration::from_secs(30);
/// Longest spin before blocking: some round trips.
const SPIN: Duration = Duration::from_micros(30);
/// Bytes of a feedback with one sample, and of a command with one value.
const FEEDBACK_BYTES: usize = 79;
const COMMAND_BYTES: usize = 49;

/// How both sides wait.
#[derive(Clone, Copy)]
struct Way {
    spins: bool,
    on: On,
}

/// Where both sides run.
#[derive(Clone, Copy)]
enum On {
    Any,
    TwoProcessors,
    OneProcessor,
}

const WAYS: [(Way, &str); 5] = [
    (Way { spins: false, on: On::TwoProcessors }, "blocking, on one processor each"),
    (Way { spins: true, on: On::TwoProcessors }, "a spin of 30 µs, then blocking, on one processor each"),
    (Way { spins: false, on: On::OneProcessor }, "blocking, both on one processor"),
    (Way { spins: false, on: On::Any }, "blocking, wherever the system puts them"),
    (Way { spins: true, on: On::Any }, "a spin of 30 µs, then blocking, wherever the system puts them"),
];

fn main() {
    let words: Vec<String> = std::env::args().skip(1).collect();
    match words.iter().map(String::as_str).collect::<Vec<_>>()[..] {
        ["echo", port, way] => echo(port, WAYS[way.parse::<usize>().expect("a way's number")].0),
        ["busy"] => processors::burn(),
        [] => measure(),
        _ => panic!("usage: waiting"),
    }
}

fn measure() {
    let _awake = Awake::hold();
    for (busy, beside) in [(0, ""), (1, ", one busy process beside"), (2, ", two busy processes beside")] {
        let _busy = Busy::start(busy);
        let mut pairs: Vec<Pair> = (0..WAYS.len()).map(Pair::start).collect();
        let mut blocks: Vec<_> = pairs.iter_mut().map(|pair| move || pair.rate_hz()).collect();
        let mut blocks: Vec<&mut dyn FnMut() -> f64> =
            blocks.iter_mut().map(|block| block as &mut dyn FnMut() -> f64).collect();
        let values = in_turn(BLOCKS, &mut blocks);
        for ((_, name), values) in WAYS.iter().zip(values) {
            println!(
                "{}",
                row(&format!("bare ping-pong, {name}{beside}"), "round trips/s", &values, 0, Asked::Nothing)
            );
        }
    }
}

/// A partner in another process that waits in the same way.
struct Pair {
    way: Way,
    socket: UdpSocket,
    partner: Child,
}

impl Pair {
    fn start(number: usize) -> Self {
        let socket = UdpSocket::bind("127.0.0.1:0").expect("a free port");
        socket.set_read_timeout(Some(RECEIVE_TIMEOUT)).expect("a timeout");
        let port = socket.local_addr().expect("a bound socket has an address").port();
        let partner = Command::new(std::env::current_exe().expect("a program knows its place"))
            .args(["echo", &port.to_string(), &number.to_string()])
            .stdin(Stdio::null())
            .spawn()
            .expect("the partner starts");
        let (_, address) = socket.recv_from(&mut [0; 4096]).expect("the partner greets");
        socket.connect(address).expect("the partner's address");
        Self { way: WAYS[number].0, socket, partner }
    }

    fn rate_hz(&mut self) -> f64 {
        place(self.way, self.partner.id());
        let mut bytes = [0; 4096];
        let (started, mut exchanges) = (Instant::now(), 0_u32);
        while started.elapsed() < BLOCK {
            self.socket.send(&[1; COMMAND_BYTES]).expect("the partner is there");
            assert_eq!(receive(&self.socket, &mut bytes, self.way).expect("the partner answers"), FEEDBACK_BYTES);
            exchanges += 1;
        }
        f64::from(exchanges) / started.elapsed().as_secs_f64()
    }
}

impl Drop for Pair {
    fn drop(&mut self) {
        let _ = self.partner.kill();
        let _ = self.partner.wait();
    }
}

fn place(way: Way, partner: u32) {
    let own = processors::current();
    match way.on {
        On::Any => {
            processors::all(OWN);
            processors::all(partner);
        }
        On::TwoProcessors => {
            processors::one(OWN, own);
            processors::one(partner, processors::another(own));
        }
        On::OneProcessor => {
            processors::one(OWN, own);
            processors::one(partner, own);
        }
    }
}

fn receive(socket: &UdpSocket, bytes: &mut [u8], way: Way) -> std::io::Result<usize> {
    if way.spins {
        let started = Instant::now();
        while started.elapsed() < SPIN {
            match recv(socket.as_raw_fd(), bytes, MsgFlags::MSG_DONTWAIT) {
                Err(Errno::EAGAIN) => std::hint::spin_loop(),
                other => return Ok(other?),
            }
        }
    }
    socket.recv(bytes)
}

/// Answers every datagram until it is ended, or none comes for a while.
fn echo(port: &str, way: Way) {
    let socket = UdpSocket::bind("127.0.0.1:0").expect("a free port");
    socket.connect(format!("127.0.0.1:{port}")).expect("the other side's address");
    socket.set_read_timeout(Some(RECEIVE_TIMEOUT)).expect("a timeout");
    let answer = [0; FEEDBACK_BYTES];
    socket.send(&answer).expect("the other side listens");
    let mut bytes = [0; 4096];
    loop {
        match receive(&socket, &mut bytes, way) {
            Ok(_) => assert_eq!(socket.send(&answer).expect("the other side is there"), FEEDBACK_BYTES),
            Err(error) if matches!(error.kind(), ErrorKind::WouldBlock | ErrorKind::TimedOut) => return,
            Err(error) => panic!("{error}"),
        }
    }
}
