//! Millions of exchanges, and the memory that the bench holds while they last: it must be flat.
//!
//! Lockstep over loopback UDP: `plantstand score` without a record starts this program as its method, which answers every
//! feedback at once, lets the axis turn to and fro, and every million exchanges prints the bench's resident memory. It
//! fails when that grows by more than [`GROWTH_MAX_KIB`] after the first million. What it does not: tune. Start reading
//! at [`main`].

use std::time::Instant;

use plantstand_bench::measured_as_method;
use plantstand_bench::turning::Turning;

/// Exchanges between two looks at the memory.
const EVERY: u64 = 1_000_000;

/// Most that the bench's resident memory may grow by after the first million exchanges, in KiB. The allocator may take a
/// page here and there; what grew by one byte an exchange would be far beyond it after ten million.
const GROWTH_MAX_KIB: u64 = 1024;

fn main() {
    let words: Vec<String> = std::env::args().skip(1).collect();
    match words.iter().map(String::as_str).collect::<Vec<_>>()[..] {
        ["measure", out, exchanges] => measure(out, exchanges.parse().expect("a number of exchanges")),
        [plantstand, scenario, exchanges] => run(plantstand, scenario, exchanges),
        _ => panic!("usage: soak PLANTSTAND SCENARIO EXCHANGES (its stride 1, its budgets wide)"),
    }
}

/// Shows what was measured, and fails when it says so.
fn run(plantstand: &str, scenario: &str, exchanges: &str) {
    let rows = measured_as_method(plantstand, scenario, &[], exchanges);
    print!("{rows}");
    assert!(rows.ends_with("flat\n"), "the bench's memory is not flat");
}

/// The method.
fn measure(out: &str, exchanges: u64) {
    let bench = std::os::unix::process::parent_id();
    let mut turning = Turning::connect();
    let mut rows = String::from("| exchanges | resident memory of the bench | exchanges/s |\n| --- | --- | --- |\n");
    let mut after_first = None;
    let mut grown_kib = 0;
    let mut done = 0;
    while done < exchanges {
        let started = Instant::now();
        let block = EVERY.min(exchanges - done);
        (0..block).for_each(|_| turning.exchange());
        done += block;
        let kib = resident_kib(bench);
        let rate_hz = block as f64 / started.elapsed().as_secs_f64();
        rows += &format!("| {done} | {kib} KiB | {rate_hz:.0} |\n");
        let first = *after_first.get_or_insert(kib);
        grown_kib = grown_kib.max(kib.saturating_sub(first));
        eprintln!("{done} exchanges, {kib} KiB, {rate_hz:.0} a second");
    }
    turning.leave();
    let word = if grown_kib <= GROWTH_MAX_KIB { "flat" } else { "not flat" };
    rows +=
        &format!("\ngrown by at most {grown_kib} KiB after the first million; allowed {GROWTH_MAX_KIB} KiB: {word}\n");
    std::fs::write(out, rows).expect("the rows can be written");
}

/// Resident memory of a process, as Linux tells it.
fn resident_kib(process: u32) -> u64 {
    let status = std::fs::read_to_string(format!("/proc/{process}/status")).expect("the bench runs");
    let line = status.lines().find_map(|line| line.strip_prefix("VmRSS:")).expect("a running process has memory");
    line.trim().trim_end_matches(" kB").parse().expect("a number of KiB")
}
