//! Nothing else in the process makes a paced run wait: whichever consumer stalls, ticks go on; when the way to the record
//! is full, the run is told so at once.
//!
//! Each consumer stalls for as long as the run lasts, so a run that waited for one would never end.

use std::io::Write;
use std::sync::mpsc::{Receiver, channel};
use std::time::Duration;

use plantstand::base::recording::Row;
use plantstand::bench::port::{Metronome, Outlet};
use plantstand::bench::session::Taken;
use plantstand::host::outlet::{Giver, Room, chunk, round};
use plantstand::host::realtime::{Wish, start};
use plantstand::host::spectator::Spectator;

const ROOM: Room = Room { chunks: 8, rows: 16, frame_bytes: 64 };
const PERIOD_NS: u64 = 50_000;
const TICKS_MAX: u64 = 4000;

/// A clock that is always where it is wanted.
struct Obedient(u64);

impl Metronome for Obedient {
    fn wait_until_ns(&mut self, due_ns: u64) -> u64 {
        self.0 = self.0.max(due_ns);
        self.0
    }

    fn now_ns(&mut self) -> u64 {
        self.0
    }
}

/// How a run ended.
#[derive(Debug, PartialEq, Eq)]
struct Ran {
    ticks: u64,
    gave: usize,
    /// Rows left in hand when there was no room.
    refused_rows: Option<usize>,
}

/// Ticks until the record has no room or the ticks are done, as a paced run does.
fn run(metronome: &mut dyn Metronome, giver: &mut Giver, mut each: impl FnMut(u64)) -> Ran {
    let mut taken = chunk(ROOM);
    let mut ran = Ran { ticks: 0, gave: 0, refused_rows: None };
    while ran.ticks < TICKS_MAX {
        metronome.wait_until_ns(ran.ticks * PERIOD_NS);
        taken.rows.push(row(ran.ticks));
        ran.ticks += 1;
        each(ran.ticks);
        if taken.rows.len() == ROOM.rows {
            if !giver.give(&mut taken) {
                ran.refused_rows = Some(taken.rows.len());
                break;
            }
            ran.gave += 1;
        }
    }
    ran
}

fn row(tick: u64) -> Row {
    let mut row = Row::default();
    row[0] = tick as f64;
    row
}

#[test]
fn a_record_writer_that_takes_nothing_ends_the_run_when_the_room_is_full() {
    let (mut giver, _taker) = round(ROOM);
    let ran = run(&mut Obedient(0), &mut giver, |_| {});
    let gave = ROOM.chunks;
    assert_eq!(ran, Ran { ticks: ((gave + 1) * ROOM.rows) as u64, gave, refused_rows: Some(ROOM.rows) });
}

#[test]
fn room_that_is_made_again_is_used_again_and_no_row_is_lost() {
    let (mut giver, mut taker) = round(ROOM);
    let mut taken = chunk(ROOM);
    let mut found = Vec::new();
    for turn in 0..100 {
        for gave in 0..ROOM.chunks {
            taken.rows.push(row((turn * ROOM.chunks + gave) as u64));
            assert!(giver.give(&mut taken) && taken.rows.is_empty());
            assert!(ROOM.rows <= taken.rows.capacity() && ROOM.frame_bytes <= taken.frames.capacity());
        }
        taken.rows.push(row(u64::MAX));
        assert!(!giver.give(&mut taken), "there are {} chunks", ROOM.chunks);
        assert_eq!(taken.rows.len(), 1, "what could not be given stays in hand");
        taken.rows.clear();
        assert_eq!(taker.drain(|taken| found.extend(taken.rows.iter().map(|row| row[0]))), ROOM.chunks);
    }
    assert!(found.iter().copied().eq((0..100 * ROOM.chunks).map(|number| number as f64)));
    drop(giver);
    assert!(taker.is_over());
}

/// On the real clock and the run's own thread: the writer hangs in a pipe that nobody reads, as standard error is when a
/// terminal stands still.
#[test]
fn a_full_pipe_stops_the_writer_and_not_the_ticks() {
    let (mut giver, mut taker) = round(ROOM);
    let (reader, mut pipe) = std::io::pipe().expect("a pipe");
    let block = vec![b'.'; 1 << 20];
    let ran = std::thread::scope(|scope| {
        let running =
            start(scope, Wish::default(), |metronome| run(metronome, &mut giver, |_| {})).expect("a thread for ticks");
        scope.spawn(move || {
            // The first chunk is held for as long as the pipe is full; its end wakes the writer with an error.
            while !taker.is_over() && taker.drain(|_| drop(pipe.write_all(&block))) == 0 {
                std::thread::yield_now();
            }
        });
        let ran = running.join().expect("the run does not panic").found;
        drop(reader);
        ran
    });
    assert_eq!(ran.refused_rows, Some(ROOM.rows), "{ran:?}");
    // The writer takes one chunk and never gives it back.
    assert_eq!(ran.gave, ROOM.chunks);
}

#[test]
fn a_progress_that_stands_still_stops_nothing() {
    let (mut giver, mut taker) = round(ROOM);
    let (hold, held): (_, Receiver<()>) = channel();
    let (entered, stalled) = channel();
    let spectator = Spectator::start(Duration::ZERO, move |_| {
        let _ = entered.send(());
        // Nobody sends: this lasts until the test lets go.
        let _ = held.recv();
    });
    stalled.recv().expect("the progress looks once");
    let mut rows = 0;
    let ran = run(&mut Obedient(0), &mut giver, |tick| {
        spectator.at(tick);
        taker.drain(|taken| rows += taken.rows.len());
    });
    // Nor does the end of the run wait for it.
    drop(spectator);
    assert_eq!((ran.ticks, ran.refused_rows), (TICKS_MAX, None));
    taker.drain(|taken| rows += taken.rows.len());
    assert_eq!(rows as u64, TICKS_MAX, "every row came out");
    drop(hold);
}

/// What was taken is a plain value: nothing of it is shared between the two threads.
#[test]
fn a_chunk_has_its_room_before_the_run() {
    let Taken { rows, frames } = chunk(ROOM);
    assert!(rows.is_empty() && frames.is_empty());
    assert!(ROOM.rows <= rows.capacity() && ROOM.frame_bytes <= frames.capacity());
}
