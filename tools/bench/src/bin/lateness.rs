//! How late ticks begin on the bench's own thread, beside cyclictest with the same policy, priority and period.
//!
//! The ticks are the real ones: plant, sensor and drive of the scenario's machine, the rows handed out in chunks to a
//! thread that takes them, as a paced run does; what a link adds is measured by `plantstand probe`. A round is a block of
//! cyclictest, one of ticks by sleep and one of ticks by sleep and spin; so whatever else the machine does meets all.
//!
//! usage: lateness SCENARIO [--block SECONDS] [--rounds N] [--long SECONDS --histogram FILE]. What it does not: run without
//! cyclictest (Debian: rt-tests). Start reading at [`main`].

use std::fmt::Write as _;
use std::path::PathBuf;
use std::process::Command;

use clap::Parser;
use plantstand::base::signal::Request;
use plantstand::bench::port::{Metronome, Outlet};
use plantstand::bench::session::Session;
use plantstand::bench::tick::Loads;
use plantstand::bench::timing::{Timing, due_ns};
use plantstand::host::outlet::{Giver, Room, chunk, round};
use plantstand::host::realtime::{Waiting, WallMetronome, Wish, start};
use plantstand::scenario::{self, Scenario};
use plantstand::trial::phases;
use plantstand_bench::{Asked, row};

/// Lateness that cyclictest tells apart, in microseconds; what is later it counts as an overflow.
const LONGEST_US: usize = 10_000;

/// Rows that are handed out at once.
const ROWS_AT_ONCE: usize = 256;

/// From the start of a block to its first tick.
const LEAD_NS: u64 = 1_000_000;

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
    /// Those only that were waited for, as cyclictest counts: it leaves out the periods that it overslept, where the bench
    /// catches up.
    waited_for: Timing,
}

/// What one block found.
#[derive(Clone, Copy)]
struct Block {
    p50_us: f64,
    p999_us: f64,
    missed_per_million: f64,
}

fn main() {
    let arguments = Arguments::parse();
    let text = std::fs::read_to_string(&arguments.scenario).expect("the scenario can be read");
    let scenario = scenario::read("scenario", &text).unwrap_or_else(|complaints| panic!("{complaints:?}"));
    let mut refused = Vec::new();
    let mut cyclictest = Vec::new();
    let mut sleeping = Vec::new();
    let mut spinning = Vec::new();
    let mut as_cyclictest = Vec::new();
    for _ in 0..arguments.rounds {
        cyclictest.push(beside(&scenario, arguments.block));
        let slept = ours(&scenario, Waiting::Sleep, arguments.block, &mut refused);
        sleeping.push(block(&slept.all));
        as_cyclictest.push(block(&slept.waited_for));
        spinning.push(block(&ours(&scenario, Waiting::SleepThenSpin, arguments.block, &mut refused).all));
    }
    print_rows(&scenario, arguments.block, [&cyclictest, &sleeping, &spinning, &as_cyclictest]);
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

/// Ticks of the bench for so many seconds.
fn ours(scenario: &Scenario, waiting: Waiting, seconds: u64, refused: &mut Vec<String>) -> Ticked {
    let mut session = phases::tuning(scenario, scenario.seed);
    let room = Room::default();
    let (mut giver, mut taker) = round(room);
    std::thread::scope(|scope| {
        let wish = Wish { waiting, ..Wish::default() };
        let work = move |metronome: &mut WallMetronome| ticks(scenario, &mut session, metronome, &mut giver, seconds);
        let running = start(scope, wish, work).expect("a thread for the ticks");
        while !taker.is_over() {
            taker.drain(|_| {});
            std::thread::sleep(std::time::Duration::from_millis(5));
        }
        let paced = running.join().expect("no tick panics");
        refused.extend(paced.refused);
        paced.found
    })
}

/// The loop of a paced run without a link: wait, tick, hand out, look at the clock. The giver is dropped at the end.
fn ticks(
    scenario: &Scenario,
    session: &mut Session,
    metronome: &mut dyn Metronome,
    giver: &mut Giver,
    seconds: u64,
) -> Ticked {
    let rate = scenario.timing.rate;
    let mut taken = chunk(Room::default());
    let (mut all, mut waited_for) = (Timing::new(), Timing::new());
    let mut done_ns = 0;
    let start_ns = metronome.now_ns() + LEAD_NS;
    for tick in 0..u64::from(rate.hz) * seconds {
        let due = |tick| start_ns + due_ns(rate, tick);
        let woke_ns = metronome.wait_until_ns(due(tick));
        let (_, found) = session.bench_mut().tick(&Request::default(), &Loads::none(), 0.0).expect("a machine at rest");
        taken.rows.push(found);
        if ROWS_AT_ONCE <= taken.rows.len() {
            assert!(giver.give(&mut taken), "the rows are taken as fast as they come");
        }
        let (late_ns, in_time_to_wait) = (woke_ns.saturating_sub(due(tick)), done_ns < due(tick));
        done_ns = metronome.now_ns();
        all.tick(late_ns, due(tick + 1) < done_ns);
        if in_time_to_wait {
            waited_for.tick(late_ns, due(tick + 1) < woke_ns);
        }
    }
    Ticked { all, waited_for }
}

fn block(timing: &Timing) -> Block {
    let us = |share| timing.late_us(share).expect("a block has ticks");
    Block { p50_us: us(0.5), p999_us: us(0.999), missed_per_million: timing.missed_per_million() }
}

/// One block of cyclictest: the same policy, priority and period, one thread, its memory locked.
fn beside(scenario: &Scenario, seconds: u64) -> Block {
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
    read_histogram(&text, f64::from(period_us)).unwrap_or_else(|| panic!("cyclictest says no histogram: {text}{error}"))
}

/// Reads `-h` output: lines of a lateness in microseconds and a count, and the number of those that were later still.
fn read_histogram(text: &str, period_us: f64) -> Option<Block> {
    let mut counts: Vec<(f64, u64)> = Vec::new();
    let mut later = 0;
    for line in text.lines() {
        if let Some(overflows) = line.strip_prefix("# Histogram Overflows:") {
            later = overflows.trim().parse().ok()?;
        }
        let mut words = line.split_whitespace();
        if let (Some(late_us), Some(count), None) = (words.next(), words.next(), words.next())
            && let (Ok(late_us), Ok(count)) = (late_us.parse(), count.parse())
        {
            counts.push((late_us, count));
        }
    }
    let total = later + counts.iter().map(|(_, count)| count).sum::<u64>();
    if total == 0 {
        return None;
    }
    let missed = later + counts.iter().filter(|(late_us, _)| period_us < *late_us).map(|(_, count)| count).sum::<u64>();
    let at = |share_frac: f64| {
        let mut so_far = 0;
        let found = counts.iter().find(|(_, count)| {
            so_far += count;
            share_frac * total as f64 <= so_far as f64
        });
        found.map_or(LONGEST_US as f64, |(late_us, _)| *late_us)
    };
    Some(Block { p50_us: at(0.5), p999_us: at(0.999), missed_per_million: missed as f64 * 1e6 / total as f64 })
}

fn print_rows(scenario: &Scenario, seconds: u64, [cyclictest, sleeping, spinning, as_cyclictest]: [&[Block]; 4]) {
    let paired = |ours: &[Block], both: fn(&Block, &Block) -> f64| {
        ours.iter().zip(cyclictest).map(|(ours, beside)| both(ours, beside)).collect::<Vec<f64>>()
    };
    let say = |what: &str, unit: &str, values: &[f64], digits: usize, asked: Asked| {
        println!("{}", row(what, unit, values, digits, asked));
    };
    let about = format!("{} ticks/s, {seconds} s a block", scenario.timing.rate.hz);
    let all = [("cyclictest", cyclictest), ("ticks by sleep", sleeping), ("ticks by sleep and spin", spinning)];
    for (who, blocks) in all {
        let of = |what: fn(&Block) -> f64| blocks.iter().map(what).collect::<Vec<f64>>();
        say(&format!("lateness, half of {who} ({about})"), "µs", &of(|block| block.p50_us), 2, Asked::Nothing);
        say(&format!("lateness, 99.9 % of {who}"), "µs", &of(|block| block.p999_us), 1, Asked::Nothing);
        let missed = of(|block| block.missed_per_million);
        say(&format!("later than a tick, {who}"), "per million", &missed, 1, Asked::Nothing);
    }
    // Whole microseconds are all that cyclictest tells.
    let p999: fn(&Block, &Block) -> f64 = |ours, beside| ours.p999_us / beside.p999_us.max(1.0);
    let p50: fn(&Block, &Block) -> f64 = |ours, beside| ours.p50_us / beside.p50_us.max(1.0);
    let missed: fn(&Block, &Block) -> f64 = |ours, beside| ours.missed_per_million - beside.missed_per_million;
    say("99.9 % by sleep over cyclictest's", "", &paired(sleeping, p999), 2, Asked::AtMost(1.2));
    say("99.9 % by sleep and spin over cyclictest's", "", &paired(spinning, p999), 2, Asked::AtMost(1.0));
    say("half by sleep and spin over cyclictest's", "", &paired(spinning, p50), 3, Asked::AtMost(0.05));
    say("missed by sleep less cyclictest's", "per million", &paired(sleeping, missed), 1, Asked::AtMost(20.0));
    let but = "periods overslept left out as cyclictest does";
    say(&format!("99.9 % by sleep over cyclictest's, {but}"), "", &paired(as_cyclictest, p999), 2, Asked::Nothing);
    let fewer = paired(as_cyclictest, missed);
    say(&format!("missed by sleep less cyclictest's, {but}"), "per million", &fewer, 1, Asked::Nothing);
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
    use super::read_histogram;

    const SAID: &str = "# /dev/cpu_dma_latency set to 0us\n# Histogram\n000000 000000\n000005 000900\n000130 000097\n\
                        # Total: 000000997\n# Min Latencies: 00005\n# Histogram Overflows: 00003\n# Histogram Overflow at cycle number:\n# Thread 0: 17 18 19\n";

    #[test]
    fn a_histogram_is_read_with_what_was_later_still() {
        let found = read_histogram(SAID, 125.0).expect("a histogram");
        assert_eq!((found.p50_us, found.p999_us), (5.0, 10_000.0));
        assert_eq!(found.missed_per_million, 100_000.0);
    }

    #[test]
    fn without_counts_there_is_no_histogram() {
        assert!(read_histogram("# Histogram\nWARN: no priority\n", 125.0).is_none());
    }
}
