//! `plantstand probe [LINK]`: what a link can carry, measured before anyone relies on it.
//!
//! It listens like `score --listen`, lets the first client in and sends it probes, which every client answers; without a
//! link it starts a client of its own and so measures this machine. What it does not: a trial. Start reading at [`run`].

use std::path::Path;
use std::time::{Duration, Instant};

use crate::base::time::TickRate;
use crate::bench::port::{Gone, Link, Metronome};
use crate::bench::probing::{Line, Paced, Prober, RHYTHMS, RoundTrips, Wire};
use crate::cli::arguments::ProbeArguments;
use crate::cli::entrance::{Entrance, Ways};
use crate::cli::tuning::{Caller, Carrier};
use crate::cli::{Outcome, Stop, output};
use crate::host::child::Child;
use crate::host::door::{Door, Opened};
use crate::host::files::{token_to_hex, try_output, write_whole};
use crate::host::realtime::{self, Waiting, Wish};
use crate::method::Carried;
use crate::report::figure::shown;
use crate::report::probe_sheet::{CommandFacts, ProbeFacts, RhythmFacts, probe_sheet};
use crate::wire::codec::encode;
use crate::wire::layout::{MAX_FRAME_BYTES, VERSIONS};
use crate::wire::message::{Accept, Close, CloseReason, Commands, Frame, Message, Pace, Text};

/// The name under which the program's own client is started.
pub const ECHO: &str = "echo";

/// How long the program's own client may take to connect.
const CONNECT_WITHIN: Duration = Duration::from_secs(10);

/// Missed ticks in a million at which a rhythm no longer fits: what the shipped scenarios allow.
const ALLOWED_MISSED_PER_MILLION: u32 = 200;

/// Runs the command.
///
/// # Errors
/// What was typed wrongly, a client that does not answer, or what the machine refused.
pub fn run(arguments: &ProbeArguments) -> Result<Outcome, Stop> {
    let wish = wish(arguments)?;
    let for_ns = span_ns(arguments.seconds)?;
    if let Some(path) = &arguments.json {
        try_output(path)?;
    }
    let caller = caller(arguments);
    let token_file = arguments.token_file.as_deref();
    let ways = Ways {
        caller: &caller,
        carrier: Carrier::Udp,
        token_file,
        seal: false,
        may_open_again: false,
        needs_the_pace: false,
    };
    let Entrance { door, token, shown: token_is_shown, .. } = Entrance::open(&ways, accept(arguments, 0))?;
    let child = match caller {
        Caller::Outside { .. } => {
            say_where(door.as_ref(), &token, !token_is_shown);
            None
        }
        _ => Some(start_own(&door.address(), &token)?),
    };
    let Opened { mut link, name } = wait_at(door.as_ref(), child.as_ref())?;
    let measured = measure(link.as_mut(), wish, for_ns);
    // A client that has left already needs no word.
    drop(link.send(&closing()));
    if let Some(child) = child {
        child.end();
    }
    let (found, refused) = measured?;
    let client = if name.trim().is_empty() { "a client without a name".to_owned() } else { shown(&name) };
    let Some(found) = found else {
        return Err(Stop::Unable(format!("{client} was let in and answers no probe")));
    };
    let facts = facts(&door.address(), client, wish, &found, refused);
    if arguments.json.as_deref() != Some(Path::new("-")) {
        output::print(&probe_sheet(&facts, output::style()))?;
    }
    if let Some(path) = &arguments.json {
        let text = serde_json::to_string_pretty(&facts).map_err(|error| Stop::Unable(error.to_string()))?;
        write_whole(path, format!("{text}\n").as_bytes())?;
    }
    Ok(Outcome::Pass)
}

fn wish(arguments: &ProbeArguments) -> Result<Wish, Stop> {
    let waiting = if arguments.spin { Waiting::SleepThenSpin } else { Waiting::Sleep };
    match arguments.priority {
        priority @ 1..=99 => Ok(Wish { priority, waiting }),
        other => Err(Stop::Usage(format!("--priority {other}; allowed: 1 to 99"))),
    }
}

fn span_ns(seconds: f64) -> Result<u64, Stop> {
    if (0.05..=3600.0).contains(&seconds) {
        return Ok((seconds * 1e9) as u64);
    }
    Err(Stop::Usage(format!("--seconds {seconds}; allowed: 0.05 to 3600")))
}

fn caller(arguments: &ProbeArguments) -> Caller {
    match &arguments.link {
        Some(link) => Caller::Outside { link: link.clone() },
        // Only where it knocks and with what matters here: the child is started below, as the echo.
        None => Caller::Carried { method: Carried::ALL[0] },
    }
}

/// What a client is told: the facts of a run in which nothing moves.
fn accept(arguments: &ProbeArguments, nonce: u64) -> Accept {
    Accept {
        port: 0,
        version_min: VERSIONS[0],
        version_max: VERSIONS[1],
        commands: match arguments.commands.as_str() {
            "torque" => Commands::Torque,
            "voltage" => Commands::Voltage,
            _ => Commands::Speed,
        },
        pace: Pace::RealTime,
        tick_hz: 8000,
        stride_ticks: 1,
        endless: true,
        travel_deg: [0.0; 2],
        window_deg: [0.0; 2],
        path_deg: 0.0,
        max_speed_rad_per_s: 0.0,
        time_s: 0.0,
        nonce,
        title: Text::new("a probe of the link: nothing moves"),
    }
}

fn say_where(door: &dyn Door, token: &[u8; 16], is_chosen: bool) {
    let shown = if is_chosen { String::new() } else { format!(" PLANTSTAND_TOKEN={}", token_to_hex(token)) };
    eprintln!("waiting for a client: PLANTSTAND_LINK={}{shown}", door.address());
}

fn start_own(address: &str, token: &[u8; 16]) -> Result<Child, Stop> {
    let own = std::env::current_exe()
        .map_err(|error| Stop::Unable(format!("cannot find the program's own file: {error}")))?;
    let words = [own.to_string_lossy().into_owned(), "method".to_owned(), ECHO.to_owned()];
    Ok(Child::start(&words, address, token, None)?)
}

/// Waits until a client was let in: for whoever connects without limit, for the program's own a while.
fn wait_at(door: &dyn Door, child: Option<&Child>) -> Result<Opened, Stop> {
    let started = Instant::now();
    loop {
        if let Some(opened) = door.wait().map_err(|gone| Stop::Unable(format!("the client {}", gone.cause)))? {
            return Ok(opened);
        }
        let Some(child) = child else { continue };
        if let Some(why) = child.ended() {
            return Err(Stop::Unable(format!("the program's own client {why} before it connected")));
        }
        if CONNECT_WITHIN < started.elapsed() {
            return Err(Stop::Unable("the program's own client did not connect".to_owned()));
        }
    }
}

/// What was measured.
struct Found {
    round_trips: RoundTrips,
    rhythms: Vec<Paced>,
}

/// Measures on a thread of its own, as a paced run has it.
fn measure(link: &mut (dyn Link + Send), wish: Wish, for_ns: u64) -> Result<(Option<Found>, Vec<String>), Stop> {
    let paced = std::thread::scope(|scope| {
        let thread = realtime::start(scope, wish, |metronome| try_all(link, metronome, for_ns))?;
        thread.join().map_err(|_| Stop::Unable("the measurement made a mistake of its own".to_owned()))
    })?;
    let found = paced.found.map_err(|gone| Stop::Unable(format!("the client {}", gone.cause)))?;
    Ok((found, paced.refused))
}

/// Everything, one after the other; `None` when the client does not answer.
fn try_all(link: &mut dyn Link, metronome: &mut dyn Metronome, for_ns: u64) -> Result<Option<Found>, Gone> {
    let mut prober = Prober::new(link, metronome);
    if !prober.reaches()? {
        return Ok(None);
    }
    let round_trips = prober.round_trips(for_ns)?;
    let rhythms = RHYTHMS.iter().map(|rhythm| prober.paced(*rhythm, for_ns)).collect::<Result<_, _>>()?;
    Ok(Some(Found { round_trips, rhythms }))
}

fn closing() -> Vec<u8> {
    let mut bytes = [0; MAX_FRAME_BYTES];
    let message = Message::Close(Close { reason: CloseReason::Over });
    let length = encode(&Frame { sequence: u32::MAX, message }, &mut bytes);
    bytes[..length].to_vec()
}

fn facts(link: &str, client: String, wish: Wish, found: &Found, refused: Vec<String>) -> ProbeFacts {
    let line = line(link);
    let trips = &found.round_trips;
    ProbeFacts {
        link: link.to_owned(),
        client,
        waiting: wish.waiting.name().to_owned(),
        round_trips_per_s: trips.per_second(),
        round_trip_p50_us: trips.took_us(0.5),
        round_trip_p99_us: trips.took_us(0.99),
        round_trip_p999_us: trips.took_us(0.999),
        round_trip_max_us: trips.took_us(1.0),
        lost: trips.lost,
        line_bytes_per_s: line.map(|line| line.bytes_per_s),
        rhythms: found.rhythms.iter().map(|paced| rhythm_facts(paced, line)).collect(),
        refused,
    }
}

fn rhythm_facts(paced: &Paced, line: Option<Line>) -> RhythmFacts {
    let TickRate { hz } = paced.rhythm.rate;
    let of = |commands| {
        let wire = Wire::of(commands, paced.rhythm.stride);
        CommandFacts {
            feedback_bytes: wire.feedback_bytes,
            command_bytes: wire.command_bytes,
            bytes_per_s: (wire.feedback_bytes + wire.command_bytes) as f64 * paced.rhythm.exchanges_hz(),
            objection: paced.objection(commands, line, ALLOWED_MISSED_PER_MILLION),
        }
    };
    RhythmFacts {
        tick_hz: hz,
        stride: paced.rhythm.stride,
        late_p50_us: paced.timing.late_us(0.5),
        late_p999_us: paced.timing.late_us(0.999),
        late_max_us: paced.timing.late_us(1.0),
        missed_per_million: paced.timing.missed_per_million(),
        sent: paced.sent,
        in_time_percent: 100.0 * paced.in_time_frac(),
        lost: paced.lost(),
        speed: of(Commands::Speed),
        torque: of(Commands::Torque),
    }
}

/// What a serial line carries at most: ten bits a byte; nothing is known of a network.
fn line(link: &str) -> Option<Line> {
    let baud = link.strip_prefix("serial:")?.rsplit_once(':')?.1.parse::<f64>().ok()?;
    Some(Line { bytes_per_s: baud / 10.0 })
}
