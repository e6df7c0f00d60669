//! A trial that waits for whoever connects, and the test as the one who does: over UDP, on this machine only.
//!
//! What it does not: know what the test wants to break. Start reading at [`Listening::start`].

use std::io::{BufRead, BufReader, Read};
use std::net::SocketAddr;
use std::path::Path;
use std::process::{Child, Stdio};
use std::time::{Duration, Instant};

use plantstand::host::files::token_from_hex;
use plantstand::host::udp::Target;
use plantstand::wire::codec::encode;
use plantstand::wire::layout::MAX_FRAME_BYTES;
use plantstand::wire::message::{Frame, Message, Open, Text};

use super::program::{Ground, Ran, plantstand};

/// Where a trial waits and what it wants to hear.
#[derive(Clone, Copy, Debug)]
pub struct Door {
    /// The address.
    pub address: SocketAddr,
    /// The run's token.
    pub token: [u8; 16],
}

/// A running trial.
pub struct Listening {
    /// Its door.
    pub door: Door,
    /// Its process.
    pub process: Child,
    said: BufReader<std::process::ChildStderr>,
}

impl Listening {
    /// Starts `score test.toml --listen udp:127.0.0.1:0` with more words and reads where it listens.
    pub fn start(ground: &Ground, words: &[&str]) -> Self {
        let mut process = plantstand(ground.folder.path())
            .args(["score", "test.toml", "--listen", "udp:127.0.0.1:0"])
            .args(words)
            .stdout(Stdio::piped())
            .stderr(Stdio::piped())
            .spawn()
            .expect("the program starts");
        let mut said = BufReader::new(process.stderr.take().expect("its standard error"));
        let mut line = String::new();
        said.read_line(&mut line).expect("it says where it waits");
        let word =
            |key: &str| line.split_whitespace().find_map(|word| word.strip_prefix(key)).expect("key in its line");
        let address = Target::parse(word("PLANTSTAND_LINK=")).expect("a link").address;
        let token = token_from_hex(word("PLANTSTAND_TOKEN=")).expect("a token");
        Self { door: Door { address, token }, process, said }
    }

    /// Waits for its end.
    pub fn finish(mut self) -> Ran {
        let mut error = String::new();
        self.said.read_to_string(&mut error).expect("it writes UTF-8");
        let output = self.process.wait_with_output().expect("it ends");
        let ran = Ran::of(output);
        Ran { error, ..ran }
    }
}

impl Door {
    /// The door that a started program wrote down as `LINK TOKEN`, once it has.
    pub fn told_in(file: &Path) -> Self {
        let limit = Instant::now() + Duration::from_secs(20);
        let text = loop {
            if let Ok(text) = std::fs::read_to_string(file) {
                break text;
            }
            assert!(Instant::now() < limit, "the method was not started");
            std::thread::yield_now();
        };
        let (link, token) = text.trim().split_once(' ').expect("two words");
        Self { address: Target::parse(link).expect("a link").address, token: token_from_hex(token).expect("a token") }
    }
}

/// A frame as bytes.
pub fn framed(sequence: u32, message: Message) -> Vec<u8> {
    let mut bytes = [0; MAX_FRAME_BYTES];
    let length = encode(&Frame { sequence, message }, &mut bytes);
    bytes[..length].to_vec()
}

/// An open with a token.
pub fn open(token: [u8; 16]) -> Vec<u8> {
    framed(1, Message::Open(Open { token, name: Text::new("stranger") }))
}
