//! plantstand, a hardware-in-the-loop servo plant simulator. The tour, from the bottom floor up:
//! `base` has the words that every floor uses; `plant` is the machine, `drive` the controller beside it, `wire` the
//! bytes of the link, `score` the numbers that judge; `linear` is the machine as a linear model, `method` the outside
//! programs that tune it; `scenario` describes a run and `bench` does it, tick by tick; `trial` joins tuning, power
//! cycle and examination into a verdict, and `report` renders it. All that is the core: it computes and touches nothing.
//! The shell touches: `host` is the operating system, `cli` the command line.
//! A folder sees its own files and lower floors only; `tests/tidy.rs` checks it.
//! Start reading at `bench/tick.rs`, one tick of everything.

pub mod base;

pub mod drive;
pub mod plant;
pub mod score;
pub mod wire;

pub mod linear;
pub mod method;

pub mod bench;
pub mod scenario;

pub mod trial;

pub mod report;

#[allow(clippy::disallowed_methods, clippy::disallowed_types, reason = "the shell meets the operating system")]
pub mod host;

#[allow(clippy::disallowed_methods, clippy::disallowed_types, reason = "the shell meets the operating system")]
pub mod cli;
