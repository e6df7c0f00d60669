//! How late ticks begin on the bench's own thread, beside cyclictest with the same policy, priority and period.
//!
//! The ticks are those of a paced run: its loop, plant, sensor and drive of the scenario's machine, and a link over
//! loopback UDP to a client in another process (this program once more) that answers every feedback. Rows go out in
//! chunks to a thread that takes them. A round is a block of cyclictest, one of ticks by sleep and one of ticks by sleep and
//! spin; so whatever else the machine does meets all.
//!
//! cyclictest leaves out the periods that it overslept; the bench catches them up and counts each. So both counts are
//! made of both sides: with those periods and without them.
//!
//! usage: lateness SCENARIO [--block SECONDS] [--rounds N] [--long SECONDS --histogram FILE]. What it does not: run without
//! cyclictest (Debian: rt-tests). Start reading at [`main`].

use std::fmt::Write as _;
use std::net::{Ipv4Addr, SocketAddr};
use std::path::PathBuf;
use std::process::{Child, Command, Stdio};
use std::time::Duration;

use clap::Parser;
use plantstand::bench::impairment::ImpairedLink;
use plantstand::bench::pacing::{Attendant, Beat, Patience, real_time};
use plantstand::bench::port::Outlet;
use plantstand::bench::session::{End, Taken};
use plantstand::bench::timing::Timing;
use plantstand::host::clock::WallClock;
use plantstand::host::door::{Door, Opened};
use plantstand::host::files::{fresh_token, token_from_hex, token_to_hex};
use plantstand::host::outlet::{Giver, Room, chunk, round};
use plantstand::host::porter::Rules;
use plantstand::host::realtime::{Waiting, WallMetronome, Wish, start};
use plantstand::host::udp::{UdpDoor, UdpTransport, parse_link};
use plantstand::method::client::Client;
use plantstand::scenario::{self, Pace, Scenario};
use plantstand::trial::phases;
use plantstand::wire::message::Value;
use plantstand_bench::{Asked, row};

/// Lateness that cyclictest tells apart, in microseconds; what is later it counts as an overflow.
const LONGEST_US: usize = 100_000;

/// How long a client may be silent before a block is given up.
const SILENCE: Duration = Duration::from_secs(10);

/// Share of the feedbacks that the client must have answered, so that a block without its link is none.
const ANSWERED_MIN_FRAC: f64 = 0.5;

/// What is measured.
#[derive(Parser)]
struct Arguments {
    /// Whose machine ticks
    scenario: PathBuf,
    /// How long a block lasts, in seconds
    #[arg(long, default_value_t = 60)]
    block: u64,
    /// How many blocks each has
    #[arg(long, default_value_t = 5)]
    rounds: usize,
    /// How long the run lasts whose histogram is kept, in seconds; 0 for none
    #[arg(long, default_value_t = 600)]
    long: u64,
    /// Where that histogram goes, as Markdown
    #[arg(long)]
    histogram: Option<PathBuf>,
}

/// What a run of ticks found.
struct Ticked {
    /// Every tick, as a paced run counts them.
    all: Timing,
    /// Those only that were waited for, as cyclictest counts: the tick before was not missed. One is missed when it began
    /// later than a period.
    waited_for: Timing,
}

/// The same of both sides: with the periods that were overslept, and without them.
#[derive(Clone, Copy)]
struct Both {
    all: Block,
    waited_for: Block,
}

/// What one block found.
#[derive(Clone, Copy)]
struct Block {
    p50_us: f64,
    p999_us: f64,
    missed_per_million: f64,
}

fn main() {
    let words: Vec<String> = std::env::args().skip(1).collect();
    if let [hidden, link, token] = &words[..]
        && hidden == "answer"
    {
        return answer(link, token);
    }
    let arguments = Arguments::parse();
    let text = std::fs::read_to_string(&arguments.scenario).expect("the scenario can be read");
    let read = scenario::read("scenario", &text).unwrap_or_else(|complaints| panic!("{complaints:?}"));
    let scenario = on_the_clock(read, arguments.block.max(arguments.long));
    let mut refused = Vec::new();
    let (mut cyclictest, mut sleeping, mut spinning) = (Vec::new(), Vec::new(), Vec::new());
    for _ in 0..arguments.rounds {
        cyclictest.push(beside(&scenario, arguments.block));
        sleeping.push(both(&ours(&scenario, Waiting::Sleep, arguments.block, &mut refused)));
        spinning.push(both(&ours(&scenario, Waiting::SleepThenSpin, arguments.block, &mut refused)));
    }
    print_rows(&scenario, arguments.block, [&cyclictest, &sleeping, &spinning]);
    if 0 < arguments.long {
        let timing = ours(&scenario, Waiting::Sleep, arguments.long, &mut refused).all;
        let page = histogram(&timing, arguments.long, scenario.timing.rate.hz);
        match &arguments.histogram {
            Some(path) => std::fs::write(path, page).expect("the histogram can be written"),
            None => eprint!("{page}"),
        }
    }
    refused.sort();
    refused.dedup();
    refused.iter().for_each(|sentence| eprintln!("refused: {sentence}"));
}

/// The scenario in real time, with budgets that no block uses up.
fn on_the_clock(mut scenario: Scenario, seconds: u64) -> Scenario {
    scenario.timing.pace = Pace::RealTime;
    scenario.tuning.time_s = seconds as f64 + 60.0;
    scenario.tuning.window_rad = [-1e9, 1e9];
    scenario.tuning.path_rad = 1e9;
    scenario
}

/// The client in another process; it ends with its block.
struct Answering(Child);

impl Answering {
    fn start(link: &str, token: &[u8; 16]) -> Self {
        let own = std::env::current_exe().expect("a program knows its place");
        let words = ["answer", link, &token_to_hex(token)];
        Self(Command::new(own).args(words).stdin(Stdio::null()).spawn().expect("the client starts"))
    }
}

impl Drop for Answering {
    fn drop(&mut self) {
        // It may have gone by itself.
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}

/// Answers every feedback at once and lets the axis turn to and fro, until the bench is gone.
fn answer(link: &str, token: &str) {
    let door = parse_link(link).expect("a link over UDP");
    let token = token_from_hex(token).expect("a token");
    let transport = UdpTransport::towards(door).expect("a socket");
    let mut client = Client::open(transport, token, "lateness").unwrap_or_else(|stop| panic!("{}", stop.reason));
    let period_ticks = 2 * u64::from(client.accept().tick_hz);
    while let Some(feedback) = client.feedback() {
        let to = (feedback.first_tick / period_ticks).is_multiple_of(2);
        let value = Value { speed_rad_per_s: if to { 20.0 } else { -20.0 }, ..Value::default() };
        let controlword = towards_enabled(feedback.statusword, feedback.exchange);
        if client.command(controlword, &[value]).is_err() {
            return;
        }
    }
}

/// The controlword that brings the drive a state nearer to where it turns. A fault is reset by an edge.
fn towards_enabled(statusword: u16, exchange: u32) -> u16 {
    match statusword & 0x6F {
        fault if fault & 0x08 != 0 => [0x80, 0x00][exchange as usize % 2],
        0x21 | 0x31 => 0x07,
        0x23 | 0x27 => 0x0F,
        0x07 => 0x00,
        _ => 0x06,
    }
}

/// Ticks of the bench for so many seconds, the client's answers coming in.
fn ours(scenario: &Scenario, waiting: Waiting, seconds: u64, refused: &mut Vec<String>) -> Ticked {
    let token = fresh_token().expect("random bytes");
    let accept = phases::accept(scenario, u64::from_le_bytes(std::array::from_fn(|place| token[place] ^ 0x5A)));
    let rules = Rules { token, accept, sealed: false, may_open_again: false };
    let door = UdpDoor::open(SocketAddr::from((Ipv4Addr::LOCALHOST, 0)), rules).expect("a free port");
    let _client = Answering::start(&door.address(), &token);
    let Opened { link, .. } = (0..100).find_map(|_| door.wait().expect("the door stands")).expect("the client opens");
    let mut link = ImpairedLink::new(link, scenario.impairment.unwrap_or_default(), scenario.seed);
    let mut session = phases::session(scenario, scenario.seed, accept);
    let room = Room::default();
    session.taken = chunk(room);
    let (giver, mut taker) = round(room);
    let period_ns = 1_000_000_000 / u64::from(scenario.timing.rate.hz);
    let ticks = u64::from(scenario.timing.rate.hz) * seconds;
    let (end, ticked) = std::thread::scope(|scope| {
        let wish = Wish { waiting, ..Wish::default() };
        let (session, link) = (&mut session, &mut link);
        let work = move |metronome: &mut WallMetronome| {
            let mut counting = Counting::new(giver, ticks, period_ns);
            let clocks = (&mut WallClock::start() as &mut _, metronome as &mut _);
            let patience = Patience { silence: Some(SILENCE), phase: None };
            let end = real_time(session, link, clocks, patience, &mut counting);
            (end, counting.ticked)
        };
        let running = start(scope, wish, work).expect("a thread for the ticks");
        while !taker.is_over() {
            taker.drain(|_| {});
            std::thread::sleep(Duration::from_millis(5));
        }
        let paced = running.join().expect("no tick panics");
        refused.extend(paced.refused);
        paced.found
    });
    assert_eq!(end, End::Interrupted, "the block did not run to its end");
    let answered_frac = session.counts.exchanges as f64 * f64::from(scenario.timing.stride) / ticks as f64;
    assert!(ANSWERED_MIN_FRAC <= answered_frac, "the client answered {answered_frac:.2} of all feedbacks");
    ticked
}

/// What stands beside the ticking loop: counts every beat, and asks for the end after the block's ticks.
struct Counting {
    giver: Giver,
    ticked: Ticked,
    ticks: u64,
    period_ns: u64,
    missed_before: bool,
}

impl Counting {
    fn new(giver: Giver, ticks: u64, period_ns: u64) -> Self {
        let ticked = Ticked { all: Timing::new(), waited_for: Timing::new() };
        Self { giver, ticked, ticks, period_ns, missed_before: false }
    }
}

impl Outlet for Counting {
    fn give(&mut self, taken: &mut Taken) -> bool {
        self.giver.give(taken)
    }
}

impl Attendant for Counting {
    fn beat(&mut self, beat: Beat) {
        self.ticked.all.tick(beat.late_ns, beat.missed);
        if !self.missed_before {
            self.ticked.waited_for.tick(beat.late_ns, self.period_ns < beat.late_ns);
        }
        self.missed_before = beat.missed;
    }

    fn asked_to_end(&mut self) -> Option<End> {
        (self.ticks <= self.ticked.all.ticks()).then_some(End::Interrupted)
    }
}

fn both(ticked: &Ticked) -> Both {
    Both { all: block(&ticked.all), waited_for: block(&ticked.waited_for) }
}

fn block(timing: &Timing) -> Block {
    let us = |share| timing.late_us(share).expect("a block has ticks");
    Block { p50_us: us(0.5), p999_us: us(0.999), missed_per_million: timing.missed_per_million() }
}

/// One block of cyclictest: the same policy, priority and period, one thread, its memory locked.
fn beside(scenario: &Scenario, seconds: u64) -> Both {
    let period_us = 1_000_000 / scenario.timing.rate.hz;
    let ran = Command::new("cyclictest")
        .args(["--quiet", "--mlockall", "--policy=fifo", "--threads=1"])
        .arg(format!("--priority={}", Wish::default().priority))
        .arg(format!("--interval={period_us}"))
        .arg(format!("--duration={seconds}"))
        .arg(format!("--histogram={LONGEST_US}"))
        .output()
        .unwrap_or_else(|error| panic!("cyclictest does not start: {error}; install Debian's rt-tests"));
    let text = String::from_utf8_lossy(&ran.stdout);
    let error = String::from_utf8_lossy(&ran.stderr);
    read_histogram(&text, u64::from(period_us)).unwrap_or_else(|| panic!("cyclictest says no histogram: {text}{error}"))
}

/// Reads `-h` output: lines of a lateness in microseconds and a count, and the number of those that were later still; they
/// count as [`LONGEST_US`].
fn read_histogram(text: &str, period_us: u64) -> Option<Both> {
    let mut counts: Vec<(u64, u64)> = Vec::new();
    for line in text.lines() {
        if let Some(overflows) = line.strip_prefix("# Histogram Overflows:") {
            counts.push((LONGEST_US as u64, overflows.trim().parse().ok()?));
        }
        let mut words = line.split_whitespace();
        if let (Some(late_us), Some(count), None) = (words.next(), words.next(), words.next())
            && let (Ok(late_us), Ok(count)) = (late_us.parse(), count.parse())
        {
            counts.push((late_us, count));
        }
    }
    Some(Both {
        waited_for: counted(&counts, period_us)?,
        all: counted(&with_overslept(&counts, period_us), period_us)?,
    })
}

/// Adds the periods that cyclictest overslept, each as late as a tick that is caught up at once: a period less than the
/// one before it.
fn with_overslept(counts: &[(u64, u64)], period_us: u64) -> Vec<(u64, u64)> {
    let periods = |(late_us, count): &(u64, u64)| {
        let (late_us, count) = (*late_us, *count);
        (0..=late_us / period_us).map(move |periods| (late_us - periods * period_us, count))
    };
    counts.iter().flat_map(periods).collect()
}

fn counted(counts: &[(u64, u64)], period_us: u64) -> Option<Block> {
    let mut counts = counts.to_vec();
    counts.sort_unstable();
    let total = counts.iter().map(|(_, count)| count).sum::<u64>();
    if total == 0 {
        return None;
    }
    let missed = counts.iter().filter(|(late_us, _)| period_us < *late_us).map(|(_, count)| count).sum::<u64>();
    let at = |share_frac: f64| {
        let mut so_far = 0;
        let found = counts.iter().find(|(_, count)| {
            so_far += count;
            share_frac * total as f64 <= so_far as f64
        });
        found.map_or(LONGEST_US as f64, |(late_us, _)| *late_us as f64)
    };
    Some(Block { p50_us: at(0.5), p999_us: at(0.999), missed_per_million: missed as f64 * 1e6 / total as f64 })
}

fn print_rows(scenario: &Scenario, seconds: u64, [cyclictest, sleeping, spinning]: [&[Both]; 3]) {
    let all: fn(&Both) -> Block = |both| both.all;
    let waited_for: fn(&Both) -> Block = |both| both.waited_for;
    let say = |what: &str, unit: &str, values: &[f64], digits: usize, asked: Asked| {
        println!("{}", row(what, unit, values, digits, asked));
    };
    let about = format!("{} ticks/s, {seconds} s a block", scenario.timing.rate.hz);
    let series = [
        ("cyclictest", cyclictest, waited_for),
        ("cyclictest with the periods it overslept", cyclictest, all),
        ("ticks by sleep", sleeping, all),
        ("ticks by sleep that were waited for", sleeping, waited_for),
        ("ticks by sleep and spin", spinning, all),
        ("ticks by sleep and spin that were waited for", spinning, waited_for),
    ];
    for (who, blocks, which) in series {
        let of = |what: fn(Block) -> f64| blocks.iter().map(|both| what(which(both))).collect::<Vec<f64>>();
        say(&format!("lateness, half of {who} ({about})"), "µs", &of(|block| block.p50_us), 2, Asked::Nothing);
        say(&format!("lateness, 99.9 % of {who}"), "µs", &of(|block| block.p999_us), 1, Asked::Nothing);
        let missed = of(|block| block.missed_per_million);
        say(&format!("later than a tick, {who}"), "per million", &missed, 1, Asked::Nothing);
    }
    // Whole microseconds are all that cyclictest tells.
    let p999: fn(Block, Block) -> f64 = |ours, beside| ours.p999_us / beside.p999_us.max(1.0);
    let p50: fn(Block, Block) -> f64 = |ours, beside| ours.p50_us / beside.p50_us.max(1.0);
    let missed: fn(Block, Block) -> f64 = |ours, beside| ours.missed_per_million - beside.missed_per_million;
    let paired = |ours: &[Both], mine: fn(&Both) -> Block, its: fn(&Both) -> Block, both: fn(Block, Block) -> f64| {
        ours.iter().zip(cyclictest).map(|(ours, beside)| both(mine(ours), its(beside))).collect::<Vec<f64>>()
    };
    let asked = |ours: &[Both], both: fn(Block, Block) -> f64| paired(ours, all, waited_for, both);
    say("99.9 % by sleep over cyclictest's", "", &asked(sleeping, p999), 2, Asked::AtMost(1.2));
    say("99.9 % by sleep and spin over cyclictest's", "", &asked(spinning, p999), 2, Asked::AtMost(1.0));
    say("half by sleep and spin over cyclictest's", "", &asked(spinning, p50), 3, Asked::AtMost(0.05));
    say("missed by sleep less cyclictest's", "per million", &asked(sleeping, missed), 1, Asked::AtMost(20.0));
    for (how, which) in [("left out of both", waited_for), ("counted in both", all)] {
        for (who, ours) in [("sleep", sleeping), ("sleep and spin", spinning)] {
            let ratios = paired(ours, which, which, p999);
            say(&format!("99.9 % by {who} over cyclictest's, overslept {how}"), "", &ratios, 2, Asked::Nothing);
            let more = paired(ours, which, which, missed);
            let what = format!("missed by {who} less cyclictest's, overslept {how}");
            say(&what, "per million", &more, 1, Asked::Nothing);
        }
    }
}

/// A run's histogram as Markdown: a bar of each length, ten a power of ten.
fn histogram(timing: &Timing, seconds: u64, hz: u32) -> String {
    let us = |share| timing.late_us(share).unwrap_or(0.0);
    let mut page = format!(
        "## Lateness over {seconds} s\n\n{} ticks at {hz} Hz, by sleep alone: half at most {:.1} µs late, 99 % {:.1} µs, \
         99.9 % {:.1} µs, the latest {:.1} µs; {} missed ({:.1} in a million), at most {} in a row.\n\n\
         | at most µs late | ticks |  |\n| ---: | ---: | --- |\n",
        timing.ticks(),
        us(0.5),
        us(0.99),
        us(0.999),
        us(1.0),
        timing.missed_ticks,
        timing.missed_per_million(),
        timing.longest_run_of_misses
    );
    for bar in timing.bars() {
        let length = if bar.ticks == 0 { 0 } else { 1 + 5 * bar.ticks.ilog10() as usize };
        // Writing into a String cannot fail.
        let _ = writeln!(page, "| {} | {} | {} |", bar.up_to_us, bar.ticks, "▇".repeat(length));
    }
    page + "\nThe bars' lengths count powers of ten.\n"
}

#[cfg(test)]
mod tests {
    use super::{LONGEST_US, read_histogram};

    const SAID: &str = "# /dev/cpu_dma_latency set to 0us\n# Histogram\n000000 000000\n000005 000900\n000130 000097\n\
                        # Total: 000000997\n# Min Latencies: 00005\n# Histogram Overflows: 00003\n# Histogram Overflow at cycle number:\n# Thread 0: 17 18 19\n";

    #[test]
    fn a_histogram_is_read_with_what_was_later_still() {
        let found = read_histogram(SAID, 125).expect("a histogram").waited_for;
        assert_eq!((found.p50_us, found.p999_us), (5.0, LONGEST_US as f64));
        assert_eq!(found.missed_per_million, 100_000.0);
    }

    #[test]
    fn periods_that_were_overslept_are_as_late_as_ticks_that_are_caught_up() {
        // 300 µs late at 125 µs a period: two periods overslept, 175 and 50 µs late; of the three, two later than one.
        let found = read_histogram("000005 000007\n000300 000001\n", 125).expect("a histogram").all;
        assert_eq!(found.missed_per_million, 200_000.0);
        assert_eq!((found.p50_us, found.p999_us), (5.0, 300.0));
    }

    #[test]
    fn without_counts_there_is_no_histogram() {
        assert!(read_histogram("# Histogram\nWARN: no priority\n", 125).is_none());
    }
}
