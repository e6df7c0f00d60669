//! `plantstand probe` measures its own client or whoever connects, ends with the promised status, and shows and writes the
//! same.

use std::io::{BufRead, BufReader};
use std::process::{Command, Output, Stdio};

use plantstand::host::files::token_from_hex;
use plantstand::host::udp::{UdpTransport, parse_link};
use plantstand::method::client::{Client, Transport};
use plantstand::wire::codec::encode;
use plantstand::wire::layout::MAX_FRAME_BYTES;
use plantstand::wire::message::{Frame, Message, Open, Text};

fn probe(words: &[&str]) -> Command {
    let mut command = Command::new(env!("CARGO_BIN_EXE_plantstand"));
    command.args(["probe", "--seconds", "0.05"]).args(words).stdin(Stdio::null());
    command.env_remove("PLANTSTAND_TOKEN").env_remove("PLANTSTAND_LINK");
    command
}

fn text(bytes: &[u8]) -> String {
    String::from_utf8(bytes.to_vec()).expect("the program writes UTF-8")
}

#[test]
fn without_a_link_it_measures_this_machine() {
    let file = tempfile::NamedTempFile::new().expect("a place for the facts");
    let ran = probe(&["--json", &file.path().display().to_string()]).output().expect("the program starts");
    assert_eq!(ran.status.code(), Some(0), "{}", text(&ran.stderr));
    let facts: serde_json::Value =
        serde_json::from_slice(&std::fs::read(file.path()).expect("the facts")).expect("JSON");
    assert_eq!(facts["client"], "echo");
    assert!(1.0 < facts["round_trips_per_s"].as_f64().expect("a number"));
    let rhythms = facts["rhythms"].as_array().expect("a list");
    let sheet = text(&ran.stdout);
    for rhythm in rhythms {
        assert!(0 < rhythm["sent"].as_u64().expect("a count"));
        assert!(sheet.contains(&format!("  {}  ", rhythm["tick_hz"])), "{sheet}");
    }
    assert_eq!(rhythms.len(), 8);
}

#[test]
fn whoever_connects_is_measured_and_told_that_it_is_over() {
    let (ran, heard) = listened_to(|link, token| {
        let transport = UdpTransport::towards(parse_link(link).expect("a link")).expect("a socket");
        Client::open(transport, token, "stranger").expect_err("nothing moves in a probe").to_string()
    });
    assert_eq!(ran.status.code(), Some(0), "{}", text(&ran.stderr));
    assert!(text(&ran.stdout).contains("stranger answers"), "{}", text(&ran.stdout));
    assert!(heard.contains("The trial is over"), "{heard}");
}

#[test]
fn a_client_that_answers_nothing_cannot_be_measured() {
    let (ran, ()) = listened_to(|link, token| {
        let mut transport = UdpTransport::towards(parse_link(link).expect("a link")).expect("a socket");
        let mut bytes = [0; MAX_FRAME_BYTES];
        let open = Message::Open(Open { token, name: Text::new("mute") });
        let length = encode(&Frame { sequence: 1, message: open }, &mut bytes);
        transport.send(&bytes[..length]).expect("the door is there");
    });
    assert_eq!(ran.status.code(), Some(4));
    assert!(text(&ran.stderr).contains("mute was let in and answers no probe"), "{}", text(&ran.stderr));
}

/// What a probe of a listening link came to, and what the client found.
fn listened_to<T>(client: impl FnOnce(&str, [u8; 16]) -> T) -> (Output, T) {
    let mut process =
        probe(&["udp:127.0.0.1:0"]).stdout(Stdio::piped()).stderr(Stdio::piped()).spawn().expect("the program starts");
    let mut said = BufReader::new(process.stderr.take().expect("its standard error"));
    let mut line = String::new();
    said.read_line(&mut line).expect("it says where it waits");
    let word = |key: &str| line.split_whitespace().find_map(|word| word.strip_prefix(key)).expect("key in its line");
    let token = token_from_hex(word("PLANTSTAND_TOKEN=")).expect("a token");
    let found = client(word("PLANTSTAND_LINK="), token);
    let mut rest = String::new();
    std::io::Read::read_to_string(&mut said, &mut rest).expect("it writes UTF-8");
    let ran = process.wait_with_output().expect("it ends");
    (Output { stderr: rest.into_bytes(), ..ran }, found)
}

#[test]
fn what_is_typed_wrongly_is_a_usage_error() {
    for (words, cure) in [
        (&["udp:nowhere"][..], "allowed: udp:HOST:PORT"),
        (&["--priority", "0"], "allowed: 1 to 99"),
        (&["--seconds", "0"], "allowed: 0.05 to 3600"),
    ] {
        let ran = Command::new(env!("CARGO_BIN_EXE_plantstand")).arg("probe").args(words).output().expect("it starts");
        assert_eq!(ran.status.code(), Some(2), "{words:?}");
        assert!(text(&ran.stderr).contains(cure), "{}", text(&ran.stderr));
    }
}
