//! The promise: over a sealed link a trial comes to the same bits as over a plain one; who has no token gets no answer
//! and moves nothing, whatever they have heard and send again; and a method that lost its socket may come back.
//!
//! Everything runs through the built program, over loopback with `--seal`. What it does not: the seal's bytes
//! (`tests/wire_seal.rs`). Start reading at [`check_same_bits`].

use std::io::{ErrorKind, Read};
use std::net::{IpAddr, Ipv4Addr, SocketAddr, UdpSocket};
use std::os::unix::fs::PermissionsExt;
use std::process::Child;
use std::time::Duration;

use plantstand::bench::port::RESEND_AFTER;
use plantstand::host::door::Door as _;
use plantstand::host::porter::Rules;
use plantstand::host::udp::{Target, UdpDoor, UdpTransport};
use plantstand::method::axis::Axis;
use plantstand::method::client::{Client, Transport};
use plantstand::method::sealed::SealedTransport;
use plantstand::scenario;
use plantstand::trial::phases;
use plantstand::trial::result::TrialResult;
use plantstand::wire::codec::decode;
use plantstand::wire::layout::{CRC_BYTES, MAX_FRAME_BYTES, MAX_SEALED_FRAME_BYTES};
use plantstand::wire::message::{Accept, Close, CloseReason, Frame, Message, Open, Probe, RefuseReason, Text};
use plantstand::wire::seal::{Channel, Direction, Key, Nonces};

#[path = "trial_runs/by_hand.rs"]
mod by_hand;
#[path = "trial_runs/carriers.rs"]
mod carriers;
#[path = "trial_runs/hostile.rs"]
mod hostile;
#[path = "trial_runs/outsider.rs"]
mod outsider;
#[path = "trial_runs/program.rs"]
mod program;

use by_hand::{disable, enable, turn};
use carriers::{Lossy, Mirror};
use hostile::Hostile;
use outsider::{Door, Listening, framed, open};
use program::{Ground, Ran};

const DOUGH_SHEETER: &str = include_str!("../scenarios/dough-sheeter.toml");
/// Knocks after which a door is given up: ten seconds of [`RESEND_AFTER`].
const KNOCKS_MAX: usize = 100;

const QUIET: [&str; 3] = ["--no-record", "--json", "-"];
const QUIET_SEALED: [&str; 4] = ["--no-record", "--json", "-", "--seal"];

fn printed(ran: &Ran) -> TrialResult {
    serde_json::from_str(&ran.out).unwrap_or_else(|error| panic!("{error}: {ran:?}"))
}

fn socket(door: &Door) -> UdpTransport {
    UdpTransport::towards(door.address).expect("a socket")
}

/// A short tuning: a move there and back, a setting, stored, done.
fn tune_shortly(mut client: Client<impl Transport>) {
    enable(&mut client);
    for speed_rad_per_s in [10.0, -10.0, 0.0] {
        turn(&mut client, speed_rad_per_s, 8);
    }
    finish(client);
}

fn finish(mut client: Client<impl Transport>) {
    client.write("speed_gain_nms_per_rad", 0.2).expect("in range");
    disable(&mut client);
    client.store().expect("the bench stores");
    client.done().expect("the bench says its verdict");
}

/// What the same tuning comes to over a plain link, with nobody around.
fn undisturbed() -> TrialResult {
    let listening = Listening::start(&Ground::new(DOUGH_SHEETER), &QUIET);
    let door = listening.door;
    tune_shortly(Client::open(socket(&door), door.token, "by hand").expect("let in"));
    printed(&listening.finish())
}

/// A sealed trial over this carrier comes to the same bits; what was refused is in the result.
fn check_same_bits<T: Transport>(carrier: impl FnOnce(UdpTransport) -> T) -> TrialResult {
    let listening = Listening::start(&Ground::new(DOUGH_SHEETER), &QUIET_SEALED);
    let door = listening.door;
    let transport = SealedTransport::new(carrier(socket(&door)), &door.token, [0x31; 16]);
    tune_shortly(Client::open(transport, door.token, "by hand").expect("let in"));
    check_is_undisturbed(&listening.finish())
}

fn check_is_undisturbed(ran: &Ran) -> TrialResult {
    let (result, clean) = (printed(ran), undisturbed());
    assert_eq!(result.bits_sha256, clean.bits_sha256);
    assert_eq!((&result.limits, &result.measures, result.verdict), (&clean.limits, &clean.measures, clean.verdict));
    assert_eq!(result.link.exchanges, clean.link.exchanges);
    result
}

fn refused(result: &TrialResult, reason: &str) -> u64 {
    result.link.refused.get(reason).copied().unwrap_or(0)
}

#[test]
fn a_sealed_trial_of_the_careful_method_has_the_bits_of_a_plain_one() {
    let ground = Ground::new(DOUGH_SHEETER);
    let (plain, sealed) = (printed(&ground.score(&QUIET)), printed(&ground.score(&QUIET_SEALED)));
    assert_eq!(sealed.bits_sha256, plain.bits_sha256);
    assert_eq!((&sealed.limits, &sealed.measures), (&plain.limits, &plain.measures));
    assert_eq!(sealed.link.exchanges, plain.link.exchanges);
    assert!(sealed.link.link.starts_with("sealed-udp:127.0.0.1:"), "{}", sealed.link.link);
    assert!(plain.link.link.starts_with("udp:127.0.0.1:"), "{}", plain.link.link);
}

#[test]
fn a_started_method_finds_in_its_link_that_frames_are_sealed() {
    let ground = Ground::new(DOUGH_SHEETER);
    let writes =
        "echo \"$PLANTSTAND_LINK $PLANTSTAND_TOKEN\" > it.tmp; mv it.tmp it; while [ ! -e go ]; do sleep 0.01; done";
    let process = program::plantstand(ground.folder.path())
        .args(["score", "test.toml", "--seal", "--no-record", "--json", "-", "--", "sh", "-c", writes])
        .stdout(std::process::Stdio::piped())
        .stderr(std::process::Stdio::piped())
        .spawn()
        .expect("the program starts");
    let door = Door::told_in(&ground.path("it"));
    let link = std::fs::read_to_string(ground.path("it")).expect("it stays");
    assert!(link.starts_with("sealed-udp:127.0.0.1:"), "{link}");
    let transport = SealedTransport::new(socket(&door), &door.token, [6; 16]);
    tune_shortly(Client::open(transport, door.token, "stand-in").expect("let in"));
    std::fs::write(ground.path("go"), "").expect("the stand-in's cue");
    check_is_undisturbed(&Ran::of(process.wait_with_output().expect("it ends")));
}

#[test]
fn every_frame_that_was_heard_and_is_sent_again_later_moves_nothing() {
    let mut heard: Vec<Vec<u8>> = Vec::new();
    let result = check_same_bits(|inner| {
        let before = move |frame: &[u8]| {
            heard.push(frame.to_vec());
            heard[..heard.len() - 1].to_vec()
        };
        Hostile { inner, before, times: 2 }
    });
    assert!(1000 < refused(&result, "replayed"), "{:?}", result.link.refused);
    assert_eq!(result.link.opened_again, 0, "an open is no open at the other port");
}

#[test]
fn the_benchs_own_frames_sent_back_to_it_move_nothing() {
    let result = check_same_bits(|inner| Mirror { inner });
    assert!(30 < refused(&result, "mac"), "{:?}", result.link.refused);
}

#[test]
fn what_is_lost_while_a_link_opens_is_said_again() {
    check_same_bits(Lossy::new);
}

/// A frame whose checksum is right and whose code is not.
fn forged(frame: &[u8]) -> Vec<u8> {
    let end = frame.len() - CRC_BYTES;
    let mut forged = frame.to_vec();
    forged[end - 1] ^= 0x80;
    let crc = plantstand::wire::checksum::checksum(&forged[..end]);
    forged[end..].copy_from_slice(&crc.to_le_bytes());
    forged
}

#[test]
fn forged_cut_spoiled_and_plain_frames_move_nothing_and_are_counted() {
    let done = framed(900, Message::Done);
    let result = check_same_bits(|inner| {
        let before = move |frame: &[u8]| {
            let mut spoiled = frame.to_vec();
            spoiled[5] ^= 1;
            vec![forged(frame), frame[..frame.len() - 4].to_vec(), spoiled, done.clone(), vec![0xEE; 3200]]
        };
        Hostile { inner, before, times: 1 }
    });
    for reason in ["mac", "length", "crc", "not_sealed", "magic"] {
        assert!(30 < refused(&result, reason), "{reason}: {:?}", result.link.refused);
    }
}

/// Somebody at a sealed door with a socket of their own, frame by frame.
struct Caller {
    socket: UdpSocket,
    door: SocketAddr,
    key: Key,
    channel: Channel,
    challenge: [u8; 16],
}

impl Caller {
    fn at(door: SocketAddr, token: [u8; 16], challenge: u8) -> Self {
        let socket = UdpSocket::bind((Ipv4Addr::LOCALHOST, 0)).expect("a socket");
        socket.set_read_timeout(Some(Duration::from_secs(10))).expect("a time limit");
        let (key, challenge) = (Key::new(&token), [challenge; 16]);
        let channel = Channel::new(key.clone(), Direction::ToBench, Nonces { challenge, nonce: 0 });
        Self { socket, door, key, channel, challenge }
    }

    fn sealed(&mut self, sequence: u32, message: Message) -> Vec<u8> {
        let mut sealed = [0; MAX_SEALED_FRAME_BYTES];
        let length = self.channel.seal(&framed(sequence, message), &mut sealed).expect("a plain frame");
        sealed[..length].to_vec()
    }

    /// A sealed open under this name.
    fn open(&mut self, sequence: u32, name: &str) -> Vec<u8> {
        self.sealed(sequence, Message::Open(Open { token: self.challenge, name: Text::new(name) }))
    }

    fn send(&self, bytes: &[u8]) {
        self.socket.send_to(bytes, self.door).expect("loopback takes it");
    }

    /// The next frame that comes; it must be a sealed one.
    fn heard(&mut self) -> Frame {
        self.heard_in_time().expect("the bench says something within ten seconds")
    }

    /// The same, or nothing within the socket's time limit.
    fn heard_in_time(&mut self) -> Option<Frame> {
        let mut buffer = [0; MAX_SEALED_FRAME_BYTES];
        let length = match self.socket.recv(&mut buffer) {
            Ok(length) => length,
            Err(error) if error.kind() == ErrorKind::WouldBlock => return None,
            Err(error) => panic!("{error}"),
        };
        let mut frame = [0; MAX_FRAME_BYTES];
        let length = self.channel.open(&buffer[..length], &mut frame).expect("it is sealed for us");
        Some(decode(&frame[..length]).expect("a frame").clone())
    }

    /// Knocks until an answer comes, as a client does: a datagram may be dropped where a flood has filled the door's
    /// buffer. Each knock has a number of its own, from this one on; the first answer is to one of them.
    fn knock_until_answered(&mut self, first: u32, name: &str) -> Message {
        self.socket.set_read_timeout(Some(RESEND_AFTER)).expect("a time limit");
        for sequence in (first..).take(KNOCKS_MAX) {
            let knock = self.open(sequence, name);
            self.send(&knock);
            if let Some(frame) = self.heard_in_time() {
                assert!((first..=sequence).contains(&frame.sequence), "an answer to another open: {frame:?}");
                return frame.message;
            }
        }
        panic!("the bench says nothing within ten seconds");
    }

    /// Goes on to the port of an accept.
    fn follow(&mut self, accept: &Accept) {
        self.door.set_port(accept.port);
        let nonces = Nonces { challenge: self.challenge, nonce: accept.nonce };
        self.channel = Channel::new(self.key.clone(), Direction::ToBench, nonces);
    }
}

/// The first answer that comes is to this open, by its number: those before got none.
fn check_first_answer(caller: &mut Caller, sequence: u32) -> Message {
    let frame = caller.heard();
    assert_eq!(frame.sequence, sequence, "an answer to another open: {frame:?}");
    frame.message
}

#[test]
fn who_has_no_token_gets_no_answer() {
    let listening = Listening::start(&Ground::new(DOUGH_SHEETER), &QUIET_SEALED);
    let door = listening.door;
    let mut caller = Caller::at(door.address, door.token, 1);
    let mut wrong = door.token;
    wrong[15] ^= 1;
    caller.send(&Caller::at(door.address, wrong, 1).open(1, "wrong key"));
    // Not even with the token in clear, which would show it to everybody.
    caller.send(&open(door.token));
    let mut future = open(door.token);
    future[2] = 9;
    let body = future.len() - CRC_BYTES;
    let sum = plantstand::wire::checksum::checksum(&future[..body]);
    future[body..].copy_from_slice(&sum.to_le_bytes());
    caller.send(&future);
    let forged = forged(&caller.open(4, "forged"));
    caller.send(&forged);
    let not_an_open = caller.sealed(5, Message::Done);
    caller.send(&not_an_open);
    let right = caller.open(6, "right");
    caller.send(&right);
    assert!(matches!(check_first_answer(&mut caller, 6), Message::Accept(_)));
    // The same bytes once more get nothing; a new open of the same client gets the accept again.
    caller.send(&right);
    let again = caller.open(7, "right");
    caller.send(&again);
    assert!(matches!(check_first_answer(&mut caller, 7), Message::Accept(_)));
    let transport = SealedTransport::new(socket(&door), &door.token, [9; 16]);
    tune_shortly(Client::open(transport, door.token, "by hand").expect("an accept is no seat"));
    let result = check_is_undisturbed(&listening.finish());
    assert_eq!((refused(&result, "mac"), refused(&result, "replayed")), (2, 1), "{:?}", result.link.refused);
    assert_eq!(refused(&result, "not_sealed"), 3, "{:?}", result.link.refused);
}

#[test]
fn who_sends_somebody_elses_open_first_gets_an_accept_and_no_seat() {
    let listening = Listening::start(&Ground::new(DOUGH_SHEETER), &QUIET_SEALED);
    let door = listening.door;
    let mut client = Caller::at(door.address, door.token, 1);
    let thief = UdpSocket::bind((Ipv4Addr::LOCALHOST, 0)).expect("a socket");
    let stolen = client.open(1, "by hand");
    thief.send_to(&stolen, door.address).expect("loopback takes it");
    thief.set_read_timeout(Some(Duration::from_secs(10))).expect("a time limit");
    let mut buffer = [0; MAX_SEALED_FRAME_BYTES];
    let length = thief.recv(&mut buffer).expect("an accept, which can be read");
    // What it can say at the new port is what it has heard: the open, and the accept itself.
    let port = u16::from_le_bytes([buffer[10], buffer[11]]);
    for bytes in [&stolen, &buffer[..length].to_vec(), &framed(1, Message::Probe(Probe { nonce: 1 }))] {
        thief.send_to(bytes, (Ipv4Addr::LOCALHOST, port)).expect("loopback takes it");
    }
    // The right one: its first open is used up, its second is not.
    client.send(&stolen);
    let second = client.open(2, "by hand");
    client.send(&second);
    let Message::Accept(accept) = check_first_answer(&mut client, 2) else { panic!("not accepted") };
    assert_ne!(accept.port, port, "a port of its own");
    client.follow(&accept);
    let probe = client.sealed(3, Message::Probe(Probe { nonce: 77 }));
    client.send(&probe);
    assert!(matches!(client.heard().message, Message::Echo(Probe { nonce: 77 }) | Message::Phase(_)));
    // Somebody else with the token, and the thief with more of what it has heard.
    thief.send_to(&second, door.address).expect("loopback takes it");
    let mut other = Caller::at(door.address, door.token, 2);
    let knock = other.open(8, "somebody else");
    other.send(&knock);
    match check_first_answer(&mut other, 8) {
        Message::Refuse(refuse) => assert_eq!(refuse.reason, RefuseReason::Busy),
        message => panic!("not refused: {message:?}"),
    }
    let close = client.sealed(4, Message::Close(Close { reason: CloseReason::Leaving }));
    client.send(&close);
    let result = printed(&listening.finish());
    assert_eq!(result.link.second_opens_refused, 1);
    assert_eq!(result.method.said_name.as_deref(), Some("by hand"));
    assert!(2 <= refused(&result, "replayed"), "{:?}", result.link.refused);
}

/// A method that loses its socket in mid-tuning and opens again under its name; the run goes on.
fn check_opens_again<T: Transport>(words: &[&str], transport: impl Fn(&Door, u8) -> T) {
    let ground = Ground::new(DOUGH_SHEETER);
    let listening = Listening::start(&ground, &[&["--record", "r"], words].concat());
    let door = listening.door;
    let mut first = Client::open(transport(&door, 1), door.token, "by hand").expect("let in");
    enable(&mut first);
    turn(&mut first, 10.0, 8);
    first.write("speed_gain_nms_per_rad", 0.1).expect("in range");
    let before = first.feedback().expect("a feedback").clone();
    let mut second = Client::open(transport(&door, 2), door.token, "by hand").expect("let in again");
    assert_eq!(second.feedback(), Some(&before), "it hears what was said last, and exchange numbers go on");
    assert_ne!(second.accept().nonce, first.accept().nonce);
    let stop = first.command(0x0F, &[]).expect_err("the old connection is over");
    assert!(stop.reason.contains("replaced"), "{}", stop.reason);
    assert_eq!(second.read("speed_gain_nms_per_rad"), Ok(0.1), "the drive stays as it is");
    turn(&mut second, 0.0, 16);
    assert_eq!(second.feedback().expect("a feedback").exchange, before.exchange + 16);
    finish(second);
    assert_eq!(listening.finish().status, Some(1), "such settings do not pass");
    let result = ground.result("r");
    assert_eq!((result.link.opened_again, result.link.second_opens_refused), (1, 0));
    let again = ground.run(&["replay", "r"]);
    assert_eq!(again.status, Some(0), "{again:?}");
}

#[test]
fn a_method_that_lost_its_socket_opens_again_and_goes_on() {
    check_opens_again(&[], |door, _| socket(door));
    check_opens_again(&["--seal"], |door, challenge| SealedTransport::new(socket(door), &door.token, [challenge; 16]));
}

/// A door with these rules, no trial behind it.
fn door_that(sealed: bool, may_open_again: bool) -> (UdpDoor, SocketAddr) {
    let scenario = scenario::read("test.toml", DOUGH_SHEETER).expect("a shipped scenario");
    let rules = Rules { token: [7; 16], accept: phases::accept(&scenario, 0), sealed, may_open_again };
    let door = UdpDoor::open(SocketAddr::from((Ipv4Addr::LOCALHOST, 0)), rules).expect("a free port");
    let address = Target::parse(&door.address()).expect("its own link").address;
    (door, address)
}

#[test]
fn where_opening_again_is_forbidden_it_is_refused_as_that() {
    let (door, address) = door_that(true, false);
    let mut first = Caller::at(address, [7; 16], 1);
    let knock = first.open(1, "reset");
    first.send(&knock);
    let Message::Accept(accept) = check_first_answer(&mut first, 1) else { panic!("not accepted") };
    first.follow(&accept);
    let probe = first.sealed(2, Message::Probe(Probe { nonce: 1 }));
    first.send(&probe);
    let opened = (0..100).find_map(|_| door.wait().expect("the door stands")).expect("it is seated");
    assert_eq!(opened.name, "reset");
    let mut second = Caller::at(address, [7; 16], 2);
    let knock = second.open(5, "reset");
    second.send(&knock);
    match check_first_answer(&mut second, 5) {
        Message::Refuse(refuse) => assert_eq!(refuse.reason, RefuseReason::OpenAgain),
        message => panic!("not refused: {message:?}"),
    }
}

/// What a stranger's datagrams to a sealed door come to: none of them is answered, so none can be made to hit others.
#[test]
fn a_flood_of_opens_without_the_key_gets_no_byte_back() {
    let (door, address) = door_that(true, true);
    let stranger = Caller::at(address, [8; 16], 3);
    for challenge in 0..=255 {
        stranger.send(&Caller::at(address, [8; 16], challenge).open(1, "flood"));
    }
    // The right one after them is answered, so all before it were dealt with, or dropped by the system.
    let mut right = Caller::at(address, [7; 16], 4);
    assert!(matches!(right.knock_until_answered(9, "right"), Message::Accept(_)));
    stranger.socket.set_nonblocking(true).expect("a socket");
    assert!(stranger.socket.recv(&mut [0; 64]).is_err(), "somebody without the key was answered");
    assert!((1..=256).contains(&door.refused().get("mac").copied().unwrap_or(0)));
}

#[test]
fn beyond_this_machine_a_token_is_asked_for_with_the_cure() {
    let ground = Ground::new(DOUGH_SHEETER);
    for link in ["udp:0.0.0.0:0", "udp:192.0.2.1:0", "udp:[::]:0", "sealed-udp:0.0.0.0:0"] {
        let ran = ground.score(&["--listen", link, "--record", "r"]);
        assert_eq!(ran.status, Some(2), "{ran:?}");
        for word in ["--token-file", "PLANTSTAND_TOKEN", "umask 077"] {
            assert!(ran.error.contains(word), "no {word} in {}", ran.error);
        }
        assert!(!ground.path("r").exists());
    }
}

#[test]
fn a_token_file_that_others_may_read_is_refused_with_the_cure() {
    let ground = Ground::new(DOUGH_SHEETER);
    std::fs::write(ground.path("token"), "000102030405060708090a0b0c0d0e0f\n").expect("a file");
    let with_mode = |mode: u32| {
        std::fs::set_permissions(ground.path("token"), std::fs::Permissions::from_mode(mode)).expect("our file");
        // An address that no device here has (RFC 5737): with a good token the run gets as far as that.
        ground.score(&["--listen", "udp:192.0.2.250:0", "--token-file", "token", "--no-record"])
    };
    for mode in [0o644, 0o640, 0o604, 0o620, 0o602, 0o610] {
        let ran = with_mode(mode);
        assert_eq!(ran.status, Some(4), "{mode:o}: {ran:?}");
        assert!(ran.error.contains("chmod 600 token"), "{mode:o}: {}", ran.error);
    }
    for mode in [0o600, 0o400] {
        let ran = with_mode(mode);
        assert!(ran.error.contains("no network device of this machine has that address"), "{mode:o}: {}", ran.error);
    }
}

/// The door that a listening program names on its standard error, of which a line is read; the token is known.
fn said_by(mut process: Child, token: [u8; 16]) -> (Door, Child) {
    let mut said = process.stderr.take().expect("its standard error");
    let (mut line, mut byte) = (Vec::new(), [0]);
    while said.read(&mut byte).expect("it says where it waits") == 1 && byte != *b"\n" {
        line.push(byte[0]);
    }
    process.stderr = Some(said);
    let line = String::from_utf8(line).expect("it writes UTF-8");
    let link = line.split_whitespace().find_map(|word| word.strip_prefix("PLANTSTAND_LINK=")).expect("its link");
    (Door { address: Target::parse(link).expect("a link").address, token }, process)
}

/// All addresses of this machine at once, sealed although the client comes over loopback: that is where strangers could
/// come as well.
#[test]
fn a_bench_that_listens_everywhere_seals_for_everybody() {
    let ground = Ground::new(DOUGH_SHEETER);
    let token = [0x5A; 16];
    let process = program::plantstand(ground.folder.path())
        .args(["score", "test.toml", "--listen", "udp:0.0.0.0:0"])
        .args(QUIET)
        .env("PLANTSTAND_TOKEN", "5a".repeat(16))
        .stdout(std::process::Stdio::piped())
        .stderr(std::process::Stdio::piped())
        .spawn()
        .expect("the program starts");
    let (mut door, process) = said_by(process, token);
    door.address.set_ip(IpAddr::V4(Ipv4Addr::LOCALHOST));
    let transport = SealedTransport::new(socket(&door), &token, [5; 16]);
    tune_shortly(Client::open(transport, token, "by hand").expect("let in"));
    check_is_undisturbed(&Ran::of(process.wait_with_output().expect("it ends")));
}
