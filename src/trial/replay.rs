//! A recorded trial once more: the frames that the method sent then, the same ticks, the same bits.
//!
//! What it does not: read a record (`cli/replay.rs`). Start reading at [`replay`].

use crate::base::recording::{Recording, Row};
use crate::bench::frames::{self, Entry};
use crate::bench::session::{End, Session};
use crate::scenario::{Commands, Pace, Scenario};
use crate::trial::bits::Bits;
use crate::trial::examination::{Examination, found, prepare};
use crate::trial::phases::{Examined, POWER_CYCLE, Tuned, examination, link_facts, power_cycle, put_together, tuning};
use crate::trial::result::TuningEnd;

/// Runs a trial again from `frames.bin`, over the machines that were examined then. `ended` says what ended it, where no
/// frame did. `None`: the bytes are no record of frames.
#[must_use]
pub fn replay(
    scenario: &Scenario,
    seed: u64,
    machines: &[usize],
    bytes: &[u8],
    ended: TuningEnd,
    link: String,
) -> Option<(Tuned, Option<Examined>)> {
    let entries = frames::read(bytes)?.into_iter();
    let on_the_clock = scenario.timing.pace == Pace::RealTime;
    let mut player = Player { session: tuning(scenario, seed), entries, on_the_clock, ended };
    let mut bits = Bits::default();
    let end = player.phase(&mut |rows| bits.rows(rows));
    let mut tuned = power_cycle(scenario, &mut player.session, end, bits, link);
    if tuned.end != End::Done {
        return Some((tuned, None));
    }
    let examined = match scenario.commands {
        Commands::Speed => Some(examination(scenario, machines, &tuned.stored, seed)),
        Commands::Torque | Commands::Voltage => player.examinations(scenario, seed, machines, &mut tuned),
    };
    Some((tuned, examined))
}

/// Plays a record's entries to a session.
struct Player<'a> {
    session: Session,
    entries: std::vec::IntoIter<(u64, Entry<'a>)>,
    on_the_clock: bool,
    ended: TuningEnd,
}

impl Player<'_> {
    /// Plays one phase, from its first mark to its last; what it records goes to `keep`.
    fn phase(&mut self, keep: &mut dyn FnMut(&[Row])) -> End {
        let mut begun = false;
        while let Some((tick, entry)) = self.entries.next() {
            self.run_to(tick);
            match entry {
                Entry::Mark if !std::mem::replace(&mut begun, true) => self.session.begin(&mut |_| {}),
                Entry::Mark => break,
                Entry::OpenedAgain => self.session.reconnected(&mut |_| {}),
                Entry::Frame(frame) => {
                    self.session.receive(frame, &mut |_| {});
                }
            }
            self.hand_on(keep);
        }
        let end = self.end();
        self.hand_on(keep);
        end
    }

    /// On the clock ticks ran between the frames.
    fn run_to(&mut self, tick: u64) {
        while self.on_the_clock && self.session.is_ready() && self.session.end().is_none() && self.session.tick() < tick
        {
            self.session.tick_on(&mut |_| {});
        }
    }

    fn hand_on(&mut self, keep: &mut dyn FnMut(&[Row])) {
        keep(&self.session.taken.rows);
        self.session.taken.rows.clear();
        self.session.taken.frames.clear();
    }

    fn end(&mut self) -> End {
        match (self.session.end(), self.ended) {
            // Also when it was done and the interrupt came while the machines were examined.
            (_, TuningEnd::Interrupted) => return End::Interrupted,
            (Some(end), _) => return end.clone(),
            (None, TuningEnd::Left) => self.session.leave("left then".to_owned()),
            (None, TuningEnd::OutOfWallTime) => self.session.run_out_of_wall_time(),
            (None, _) => self.session.fall_silent(),
        }
        self.session.end().cloned().unwrap_or(End::Silent)
    }

    /// The power cycle and every examination through the controller outside. `None` where one was not finished: tuning's
    /// end then says so.
    fn examinations(
        &mut self,
        scenario: &Scenario,
        seed: u64,
        machines: &[usize],
        tuned: &mut Tuned,
    ) -> Option<Examined> {
        self.session.prepare_power_cycle();
        let end = self.phase(&mut |_| {});
        tuned.ended_by(end, POWER_CYCLE, 0.0)?;
        let mut runs: Vec<Examination> = Vec::with_capacity(machines.len());
        for number in machines {
            prepare(&mut self.session, scenario, *number, &tuned.stored, seed)?;
            let mut recording = Recording::with_capacity(scenario.timing.rate, scenario.timing.end_tick as usize + 1);
            let end = self.phase(&mut |rows| rows.iter().for_each(|row| recording.push(row)));
            let run = found(scenario, *number, &self.session, recording)?;
            tuned.ended_by(end, &run.machine, scenario.timing.rate.seconds(self.session.tick()))?;
            runs.push(run);
        }
        tuned.link = link_facts(&self.session, std::mem::take(&mut tuned.link.link));
        Some(put_together(scenario, machines, &tuned.stored, runs))
    }
}
