//! What a tick may cost, and what the motion has cost.
//!
//! What it does not: measure time; effort is counted. Start reading at [`Effort`].

use crate::plant::event::Cause;

/// Pieces a tick may take. A machine that needs more turns by some 10 000 rad in a tick.
const PIECES_MAX: u32 = 4096;
/// Changes of pattern a tick may have.
pub(crate) const CHANGES_MAX: u32 = 1000;

/// Counts of the work done.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Effort {
    /// Pieces computed, at least one a tick.
    pub pieces: u64,
    /// Powers of time in them, summed.
    pub powers: u64,
}

/// What is left of the pieces and changes that a tick may take.
pub(crate) struct Budget {
    pieces: u32,
    changes: u32,
}

impl Budget {
    pub(crate) fn of_a_tick() -> Self {
        Self { pieces: PIECES_MAX, changes: CHANGES_MAX }
    }

    pub(crate) fn take_piece(&mut self) -> Result<(), Cause> {
        self.pieces = self.pieces.checked_sub(1).ok_or(Cause::TooStiff)?;
        Ok(())
    }

    pub(crate) fn take_change(&mut self) -> Result<(), Cause> {
        self.changes = self.changes.checked_sub(1).ok_or(Cause::TooManyEvents)?;
        self.pieces = self.pieces.saturating_add(1);
        Ok(())
    }
}
