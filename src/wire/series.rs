//! One item per tick of an exchange, without a heap: the samples of a feedback, the values of a command.
//!
//! What it does not: more than [`STRIDE_TICKS_MAX`] items. Start reading at [`Series`].

use std::fmt;

/// Most ticks of an exchange (the stride), so most items of a series. 64 samples make a frame of three kilobytes, which
/// any network stack and a microcontroller's buffer hold; at 8 kHz they are 8 ms, slow enough for any script.
pub const STRIDE_TICKS_MAX: usize = 64;

/// Up to [`STRIDE_TICKS_MAX`] items, held in place.
#[derive(Clone)]
pub struct Series<T> {
    count: usize,
    items: [T; STRIDE_TICKS_MAX],
}

impl<T: Copy + Default> Series<T> {
    /// No items.
    #[must_use]
    pub fn new() -> Self {
        Self { count: 0, items: [T::default(); STRIDE_TICKS_MAX] }
    }

    /// The items of a slice; `None` when they are more than [`STRIDE_TICKS_MAX`].
    #[must_use]
    pub fn from_slice(items: &[T]) -> Option<Self> {
        let mut series = Self::new();
        series.items.get_mut(..items.len())?.copy_from_slice(items);
        series.count = items.len();
        Some(series)
    }

    /// Adds one item at the end and says whether there was room for it.
    pub fn push(&mut self, item: T) -> bool {
        let has_room = self.count < STRIDE_TICKS_MAX;
        if has_room {
            self.items[self.count] = item;
            self.count += 1;
        }
        has_room
    }

    /// Takes every item out.
    pub fn clear(&mut self) {
        self.count = 0;
    }
}

impl<T> Series<T> {
    /// The items in order of their ticks.
    #[must_use]
    pub fn as_slice(&self) -> &[T] {
        &self.items[..self.count]
    }

    /// How many items there are.
    #[must_use]
    pub fn len(&self) -> usize {
        self.count
    }

    /// Whether there is no item.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.count == 0
    }
}

impl<T: Copy + Default> Default for Series<T> {
    fn default() -> Self {
        Self::new()
    }
}

impl<T: PartialEq> PartialEq for Series<T> {
    /// Items only: what stands behind the last one does not count.
    fn eq(&self, other: &Self) -> bool {
        self.as_slice() == other.as_slice()
    }
}

impl<T: fmt::Debug> fmt::Debug for Series<T> {
    fn fmt(&self, formatter: &mut fmt::Formatter<'_>) -> fmt::Result {
        self.as_slice().fmt(formatter)
    }
}
