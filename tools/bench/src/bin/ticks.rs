//! What a tick costs, case by case: instructions, which repeat on a busy machine too, and time.
//!
//! Instructions are counted by valgrind's callgrind over whole runs of two lengths; their difference over the ticks between
//! is a tick's, so that start and set-up are not in it. Time is the thread's own, the median of blocks. Set-up and the
//! memory of a long run are looked at as well.
//!
//! usage: ticks | ticks CASE TICKS. What it does not: compare with other solvers (`compare/`). Start reading at [`main`].

use std::hint::black_box;
use std::process::Command;
use std::time::Instant;

use nix::time::{ClockId, clock_gettime};
use plantstand::scenario;
use plantstand::trial::examination;
use plantstand_bench::cases::{CASES, Case};
use plantstand_bench::{Asked, median, row};

/// The ticks of a run before counting begins, and those that are counted: two seconds and more of every case.
const BEFORE: u64 = 4_000;
const COUNTED: u64 = 26_000;
const BLOCKS: usize = 15;
const BLOCK_TICKS: u64 = 60_000;
const TICK_HZ: f64 = 8000.0;

fn main() {
    let words: Vec<String> = std::env::args().skip(1).collect();
    let words: Vec<&str> = words.iter().map(String::as_str).collect();
    match words[..] {
        [] => all(),
        [case, ticks] => {
            let mut case = Case::of(case).expect("a known case");
            case.run(ticks.parse().expect("a number of ticks"));
            black_box(&case);
        }
        _ => panic!("usage: ticks | ticks CASE TICKS"),
    }
}

fn all() {
    for (word, what) in CASES {
        let most = match word {
            "axis" => Asked::AtMost(2500.0),
            "rattle" => Asked::AtMost(6000.0),
            _ => Asked::Nothing,
        };
        match instructions(word) {
            Some(count) => println!("{}", row(&format!("a tick of {what}"), "instructions", &[count], 0, most)),
            None => eprintln!("instructions of {what}: not counted; install Debian's valgrind"),
        }
    }
    for (word, what) in CASES {
        let times: Vec<f64> = times_real_time(word);
        let least = if word == "axis" { Asked::AtLeast(600.0) } else { Asked::Nothing };
        let ns: Vec<f64> = times.iter().map(|times| 1e9 / (times * TICK_HZ)).collect();
        println!("{}", row(&format!("a tick of {what}"), "ns", &ns, 0, Asked::Nothing));
        println!("{}", row(&format!("{what}, one core"), "× real time", &times, 0, least));
    }
    let linear = [cost_of(10 * COUNTED) / cost_of(COUNTED) / 10.0];
    println!(
        "{}",
        row("ten times the ticks of the whole axis, cost over ten times the cost", "", &linear, 3, Asked::Nothing)
    );
    println!("{}", row("set-up of new parameters, two masses", "µs", &set_up_us(), 1, Asked::AtMost(100.0)));
}

/// Instructions of a tick; `None` where valgrind does not run.
fn instructions(case: &str) -> Option<f64> {
    let count = |ticks: u64| {
        let ran = Command::new("valgrind")
            .args(["--tool=callgrind", "--callgrind-out-file=/dev/null"])
            .arg(std::env::current_exe().expect("a program has a path"))
            .args([case, &ticks.to_string()])
            .output()
            .ok()?;
        let said = String::from_utf8_lossy(&ran.stderr);
        let line = said.lines().find(|line| line.contains("Collected"))?;
        line.rsplit(':').next()?.trim().parse::<f64>().ok()
    };
    Some((count(BEFORE + COUNTED)? - count(BEFORE)?) / COUNTED as f64)
}

/// Simulated time over the thread's own time, block by block.
fn times_real_time(case: &str) -> Vec<f64> {
    let mut case = Case::of(case).expect("a known case");
    case.run(BEFORE);
    (0..BLOCKS)
        .map(|_| {
            let started_s = processor_time_s();
            case.run(BLOCK_TICKS);
            BLOCK_TICKS as f64 / TICK_HZ / (processor_time_s() - started_s)
        })
        .collect()
}

/// Time of so many ticks of the whole axis, the median of some runs.
fn cost_of(ticks: u64) -> f64 {
    let mut case = Case::of("axis").expect("a known case");
    let costs: Vec<f64> = (0..5)
        .map(|_| {
            let started_s = processor_time_s();
            case.run(ticks);
            processor_time_s() - started_s
        })
        .collect();
    median(&costs)
}

/// From parameters to a bench that can tick.
fn set_up_us() -> Vec<f64> {
    let path = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("../../scenarios/dough-sheeter.toml");
    let text = std::fs::read_to_string(path).expect("a shipped scenario");
    let scenario = scenario::read("case", &text).expect("a sound scenario");
    let setup = examination::setup(&scenario, &scenario.machine, &scenario.settings, 1, "count");
    (0..BLOCKS)
        .map(|_| {
            let started = Instant::now();
            for _ in 0..100 {
                black_box(plantstand::bench::tick::Bench::new(black_box(&setup)));
            }
            started.elapsed().as_secs_f64() * 1e6 / 100.0
        })
        .collect()
}

fn processor_time_s() -> f64 {
    let time = clock_gettime(ClockId::CLOCK_THREAD_CPUTIME_ID).expect("the system counts a thread's time");
    time.tv_sec() as f64 + 1e-9 * time.tv_nsec() as f64
}
