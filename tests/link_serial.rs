//! The promise of a serial line: whoever holds the cable is let in, whatever was on the line before; every frame comes
//! through as it is; what is none is counted; and a line that is gone is noticed at the next touch, by its name.
//!
//! The cable is a pseudo-terminal with the test at its other end; what is sent waits in the system until it is read, so
//! one thread is both sides and no test waits for time to pass. Start reading at [`let_in`].

use std::time::{Duration, Instant};

use plantstand::bench::port::{Gone, Link};
use plantstand::host::door::{Door, Opened};
use plantstand::host::line::Line;
use plantstand::host::link_name::LinkName;
use plantstand::host::serial::SerialDoor;
use plantstand::host::tty;
use plantstand::host::udp::Target;
use plantstand::trial::phases;
use plantstand::wire::codec::{decode, encode};
use plantstand::wire::layout::MAX_FRAME_BYTES;
use plantstand::wire::message::{Frame, Log, Message, Open, Probe, RefuseReason, Text};
use plantstand::wire::stream::stuff;

#[path = "trial_runs/cable.rs"]
mod cable;
#[path = "trial_runs/scenario_text.rs"]
mod scenario_text;

use cable::Cable;

const TOKEN: [u8; 16] = *b"0123456789abcdef";

fn framed(sequence: u32, message: Message) -> Vec<u8> {
    let mut bytes = [0; MAX_FRAME_BYTES];
    let length = encode(&Frame { sequence, message }, &mut bytes);
    bytes[..length].to_vec()
}

fn open(token: [u8; 16]) -> Message {
    Message::Open(Open { token, name: Text::new("board") })
}

fn door(cable: &Cable, token: Option<[u8; 16]>) -> SerialDoor {
    let accept = phases::accept(&scenario_text::read(&scenario_text::dough_sheeter()), 9);
    SerialDoor::open(&cable.path, 115_200, token, accept).expect("a pty is a line")
}

/// The method that is let in once what is on the line has been looked at.
fn let_in(door: &SerialDoor) -> Opened {
    for _ in 0..200 {
        if let Some(opened) = door.wait().expect("the line is there") {
            return opened;
        }
    }
    panic!("nobody was let in");
}

/// A cable with a link at the other end, its accept heard.
fn linked() -> (Cable, Box<dyn Link + Send>) {
    let mut cable = Cable::new();
    let door = door(&cable, Some(TOKEN));
    cable.say(1, open(TOKEN));
    let opened = let_in(&door);
    assert_eq!(opened.name, "board");
    assert!(matches!(cable.heard(), Message::Accept(accept) if (accept.port, accept.nonce) == (0, 9)));
    (cable, opened.link)
}

/// What the link receives next; it waits as long as the link does.
fn received(link: &mut Box<dyn Link + Send>) -> Result<Option<Vec<u8>>, Gone> {
    let mut buffer = [0; MAX_FRAME_BYTES + 1];
    Ok(link.receive(&mut buffer)?.map(|length| buffer[..length].to_vec()))
}

fn next(link: &mut Box<dyn Link + Send>) -> Vec<u8> {
    let found = (0..200).find_map(|_| received(link).expect("the line is there"));
    found.expect("something comes")
}

#[test]
fn whoever_holds_the_cable_is_let_in_with_the_token_or_with_any_where_none_was_given() {
    for token in [Some(TOKEN), None] {
        let mut cable = Cable::new();
        let door = door(&cable, token);
        assert_eq!(door.address(), cable.link());
        cable.say(1, open([7; 16]));
        if token.is_some() {
            assert!(door.wait().expect("the line is there").is_none());
            assert!(matches!(cable.heard(), Message::Refuse(refuse) if refuse.reason == RefuseReason::Token));
            cable.say(2, open(TOKEN));
        }
        assert_eq!(let_in(&door).name, "board");
        assert!(matches!(cable.heard(), Message::Accept(_)));
        assert_eq!(door.refused_as_second(), 0);
    }
}

#[test]
fn an_open_of_another_version_is_told_which_are_spoken() {
    let mut cable = Cable::new();
    let door = door(&cable, None);
    let mut future = framed(1, open(TOKEN));
    future[2] = 9;
    let body = future.len() - 4;
    let sum = plantstand::wire::checksum::checksum(&future[..body]);
    future[body..].copy_from_slice(&sum.to_le_bytes());
    let mut stuffed = Vec::new();
    stuff(&future, &mut stuffed);
    cable.say_bytes(&stuffed);
    assert!(door.wait().expect("the line is there").is_none());
    assert!(matches!(cable.heard(), Message::Refuse(refuse) if refuse.reason == RefuseReason::Version));
}

#[test]
fn what_a_board_says_before_its_open_is_skipped_and_counted() {
    let mut cable = Cable::new();
    let door = door(&cable, None);
    cable.say_bytes(b"\r\nboot 1.2\r\nready\r\n\0");
    cable.say_bytes(&[0xFF; 5000]);
    cable.say(4, Message::Probe(Probe { nonce: 1 }));
    cable.say(1, open(TOKEN));
    let opened = let_in(&door);
    assert!(matches!(cable.heard(), Message::Accept(_)));
    let thrown_away = opened.link.thrown_away();
    assert!(
        thrown_away.contains(&("before_open", 1)) && thrown_away.contains(&("stream_too_long", 1)),
        "{thrown_away:?}"
    );
    assert!(thrown_away.contains(&("stream_code", 1)), "{thrown_away:?}");
}

#[test]
fn frames_of_any_length_cross_both_ways_as_they_are() {
    let (mut cable, mut link) = linked();
    for length in [0, 1, 254, 255, 1000, MAX_FRAME_BYTES] {
        let frame: Vec<u8> = (0..length).map(|place| (place % 251) as u8).collect();
        let mut stuffed = Vec::new();
        stuff(&frame, &mut stuffed);
        cable.say_bytes(&stuffed);
        assert_eq!(next(&mut link), frame);
    }
    for text in ["a", &"b".repeat(200)] {
        let log = Message::Log(Log { text: Text::new(text) });
        link.send(&framed(3, log.clone())).expect("the line is there");
        assert_eq!(cable.heard(), log);
    }
}

#[test]
fn a_poll_takes_what_is_there_and_does_not_wait() {
    let (mut cable, mut link) = linked();
    let mut buffer = [0; MAX_FRAME_BYTES + 1];
    assert_eq!(link.poll(&mut buffer), Ok(None));
    cable.say(2, Message::Done);
    cable.say(3, Message::Store);
    let mut polled = || loop {
        // What was written a moment ago may take the system another one to hand on.
        if let Some(length) = link.poll(&mut buffer).expect("the line is there") {
            return decode(&buffer[..length]).expect("a frame").message;
        }
    };
    assert_eq!([polled(), polled()], [Message::Done, Message::Store]);
}

#[test]
fn an_open_that_is_repeated_gets_the_same_accept_until_something_else_comes_and_then_goes_to_the_session() {
    let (mut cable, mut link) = linked();
    cable.say(1, open(TOKEN));
    cable.say(2, Message::Probe(Probe { nonce: 9 }));
    assert_eq!(next(&mut link), framed(2, Message::Probe(Probe { nonce: 9 })));
    assert!(matches!(cable.heard(), Message::Accept(accept) if accept.nonce == 9));
    // A board that was reset says the same bytes again.
    cable.say(1, open(TOKEN));
    assert_eq!(next(&mut link), framed(1, open(TOKEN)));
}

/// The line is gone at the next touch, whatever it is.
fn check_gone<T: std::fmt::Debug>(found: Result<T, Gone>, path: &str) {
    let cause = found.expect_err("the line is gone").cause;
    assert!(cause.starts_with("lost its line: ") && cause.contains(path), "{cause}");
}

#[test]
fn a_line_that_hangs_up_is_noticed_at_the_next_touch_and_named() {
    let (cable, mut link) = linked();
    let path = cable.path.clone();
    drop(cable);
    check_gone(received(&mut link), &path);
    check_gone(link.poll(&mut [0; 64]), &path);
    check_gone(link.send(&framed(1, Message::Done)), &path);
}

/// How long a link that is touched like this takes to see that the far end was closed in mid-run.
fn noticed_after(touch: impl Fn(&mut Box<dyn Link + Send>) -> Result<(), Gone>) -> Duration {
    let (mut cable, mut link) = linked();
    cable.say(2, Message::Probe(Probe { nonce: 1 }));
    next(&mut link);
    let far = std::thread::spawn(move || {
        // So that whoever waits is waiting by then; how long does not matter.
        std::thread::sleep(Duration::from_millis(20));
        let closed = Instant::now();
        drop(cable);
        closed
    });
    while touch(&mut link).is_ok() {}
    let noticed = Instant::now();
    noticed.saturating_duration_since(far.join().expect("the far end closes"))
}

/// The best of five: what a busy machine adds is not the link's.
#[test]
fn a_line_that_is_pulled_out_in_mid_run_is_noticed_within_a_tenth_of_a_second() {
    let best = |touch: fn(&mut Box<dyn Link + Send>) -> Result<(), Gone>| (0..5).map(|_| noticed_after(touch)).min();
    let waiting = best(|link| received(link).map(drop)).expect("five times");
    let polling = best(|link| {
        std::thread::sleep(Duration::from_micros(100));
        link.poll(&mut [0; MAX_FRAME_BYTES + 1]).map(drop)
    });
    let polling = polling.expect("five times");
    assert!(waiting < Duration::from_millis(100) && polling < Duration::from_millis(100), "{waiting:?}, {polling:?}");
}

#[test]
fn a_frame_that_is_cut_by_a_hang_up_is_no_frame() {
    let (mut cable, mut link) = linked();
    let mut stuffed = Vec::new();
    stuff(&framed(2, Message::Done), &mut stuffed);
    cable.say_bytes(&stuffed[..stuffed.len() - 1]);
    assert_eq!(received(&mut link), Ok(None));
    let path = cable.path.clone();
    drop(cable);
    check_gone(received(&mut link), &path);
}

#[test]
fn a_line_that_hangs_up_before_anybody_opened_ends_the_wait() {
    let cable = Cable::new();
    let door = door(&cable, None);
    let path = cable.path.clone();
    drop(cable);
    check_gone(door.wait().map(drop), &path);
}

/// A peer that does not read stops nobody: what fits is kept, one frame waits, the rest is dropped and counted; when it
/// reads again, every frame that comes is whole.
#[test]
fn a_full_line_stops_nobody() {
    let (mut cable, mut link) = linked();
    let text = |number: u32| Message::Log(Log { text: Text::new(&format!("{number:0>200}")) });
    let mut sent = 0;
    while link.thrown_away().is_empty() {
        sent += 1;
        link.send(&framed(sent, text(sent))).expect("the line is there");
        assert!(sent < 10_000, "no system buffers so much");
    }
    assert_eq!(link.thrown_away(), [("line_overrun", 1)]);
    // All but the dropped one, the last of them after its rest was written on.
    for number in 1..sent {
        let _ = link.poll(&mut [0; 64]).expect("the line is there");
        assert_eq!(cable.heard(), text(number));
    }
    link.send(&framed(1, Message::Done)).expect("the line is there");
    assert_eq!(cable.heard(), Message::Done);
}

/// A line of this rate, and what comes out at its other end.
fn line_at(baud: Option<u32>) -> (Line, Line) {
    let (mut ours, theirs) = tty::pair().expect("this system has ptys");
    ours.baud = baud;
    (Line::new(ours), Line::new(theirs))
}

/// Every frame that is on the line once this one has come through.
fn until(far: &mut Line, last: &[u8]) -> Vec<Vec<u8>> {
    let mut frames = Vec::new();
    let mut buffer = [0; MAX_FRAME_BYTES];
    while frames.last().is_none_or(|frame: &Vec<u8>| frame != last) {
        if let Some(length) = far.next(&mut buffer, Duration::from_secs(20)).expect("the line is there") {
            frames.push(buffer[..length].to_vec());
        }
    }
    frames
}

/// At 300 baud a frame and its answer are on their way for seconds: nothing that is said again meanwhile goes out.
#[test]
fn a_slow_line_repeats_nothing_that_is_still_on_its_way_and_a_fast_one_does() {
    let frames = [b"one", b"one", b"one", b"two", b"two", b"end"];
    for (baud, expected) in [(Some(300), vec![b"one", b"two", b"end"]), (None, frames.to_vec())] {
        let (mut near, mut far) = line_at(baud);
        frames.iter().for_each(|frame| near.send(*frame).expect("the line is there"));
        assert_eq!(until(&mut far, b"end"), expected, "{baud:?}");
    }
    // At the highest rate that is over in less than a millisecond, and what was lost is said again.
    let (mut near, mut far) = line_at(Some(12_000_000));
    let mut again = 0;
    while again < 2 {
        near.send(b"one").expect("the line is there");
        again += far.next(&mut [0; 64], Duration::ZERO).expect("the line is there").iter().count();
    }
}

/// A device is refused with these words.
fn check_refused(path: &str, words: &[&str]) {
    let why = tty::open(path, 115_200).expect_err("no line").to_string();
    for word in words {
        assert!(why.contains(word), "no '{word}' in {why}");
    }
}

#[test]
fn a_device_that_cannot_be_opened_is_named_with_the_cure() {
    check_refused("/dev/ttyNOSUCH7", &["/dev/ttyNOSUCH7", "No such file", "this machine has"]);
    check_refused("/dev/null", &["/dev/null", "no serial line"]);
    let cable = Cable::new();
    let first = tty::open(&cable.path, 115_200).expect("a pty is a line");
    check_refused(&cable.path, &[&cable.path, "another program has it", "fuser"]);
    drop(first);
    assert!(tty::open(&cable.path, 115_200).is_ok());
    assert!(tty::is_pty(&cable.path) && !tty::is_pty("/dev/null"));
}

#[test]
fn links_are_read_and_wrong_ones_are_refused_with_what_is_allowed() {
    let serial = |path: &str, baud| LinkName::Serial { path: path.to_owned(), baud };
    assert_eq!(LinkName::parse("serial:/dev/ttyUSB0:115200"), Ok(serial("/dev/ttyUSB0", 115_200)));
    assert_eq!(LinkName::parse("serial:/dev/by-path/a:1.0:9600"), Ok(serial("/dev/by-path/a:1.0", 9600)));
    assert_eq!(
        LinkName::parse("udp:[::1]:7000"),
        Ok(LinkName::Udp(Target { address: "[::1]:7000".parse().expect("an address"), sealed: false }))
    );
    for (name, says) in [
        ("serial:/dev/ttyUSB0", "has no rate"),
        ("serial::9600", "names no device"),
        ("serial:/dev/ttyUSB0:fast", "'fast' is no rate"),
        ("serial:/dev/ttyUSB0:100", "allowed: 300 to 12000000"),
        ("serial:/dev/ttyUSB0:99999999", "common rates beside it: 12000000"),
        ("udp:7000", "names no address"),
        ("tcp:1.2.3.4:5", "serial:PATH:BAUD"),
        ("", "udp:HOST:PORT"),
    ] {
        let why = LinkName::parse(name).expect_err(name);
        assert!(why.contains(says), "no '{says}' in {why}");
    }
    assert_eq!(tty::neighbours(100_000), "common rates beside it: 57600 and 115200");
}
