//! Seeded changes of bytes, and the corpus that they start from.
//!
//! What it does not: know what the bytes mean; a target's words are the only hint. Start reading at [`Dice::changed`].

use std::path::PathBuf;

use plantstand::base::random::Stream;

/// Longest input that is made: the readers' own limits lie beyond, and time is better spent on many.
const MAX_BYTES: usize = 16 << 10;

/// Bytes that mean something to many readers.
const NUMBERS: [u8; 8] = [0x00, 0x01, 0x3F, 0x40, 0x41, 0x7F, 0x80, 0xFF];

/// The files in these folders, which are named from the project's top, in the order of their names.
pub fn corpus(folders: &[&str]) -> Vec<Vec<u8>> {
    let mut paths: Vec<PathBuf> = Vec::new();
    for folder in folders {
        let folder = PathBuf::from(env!("CARGO_MANIFEST_DIR")).join(folder);
        let entries = std::fs::read_dir(&folder).unwrap_or_else(|error| panic!("{}: {error}", folder.display()));
        paths.extend(entries.map(|entry| entry.expect("an entry").path()).filter(|path| path.is_file()));
    }
    paths.sort();
    paths.iter().map(|path| std::fs::read(path).expect("a file of the corpus")).collect()
}

/// Changes inputs at random.
pub struct Dice<'a> {
    /// Where the chances come from.
    pub stream: Stream,
    /// What is changed.
    pub corpus: &'a [Vec<u8>],
    /// Pieces that mean something.
    pub words: &'a [&'a str],
}

impl Dice<'_> {
    /// One of the corpus with one to six changes.
    pub fn changed(&mut self) -> Vec<u8> {
        let mut bytes = self.corpus[self.below(self.corpus.len())].clone();
        for _ in 0..=self.below(6) {
            self.change(&mut bytes);
        }
        bytes.truncate(MAX_BYTES);
        bytes
    }

    fn below(&mut self, end: usize) -> usize {
        (self.stream.uniform() * end as f64) as usize
    }

    /// A stretch of up to 32 bytes that may be empty.
    fn stretch(&mut self, length: usize) -> std::ops::Range<usize> {
        let start = self.below(length + 1);
        start..(start + self.below(33)).min(length)
    }

    fn change(&mut self, bytes: &mut Vec<u8>) {
        let length = bytes.len();
        match self.below(8) {
            0 if 0 < length => {
                let bit = self.below(8 * length);
                bytes[bit / 8] ^= 1 << (bit % 8);
            }
            1 if 0 < length => {
                let place = self.below(length);
                bytes[place] = NUMBERS[self.below(NUMBERS.len())];
            }
            2 => drop(bytes.drain(self.stretch(length))),
            3 => {
                let again = bytes[self.stretch(length)].to_vec();
                let place = self.below(length + 1);
                drop(bytes.splice(place..place, again));
            }
            4 => {
                let word = self.words[self.below(self.words.len())].bytes();
                let place = self.stretch(length);
                drop(bytes.splice(place, word));
            }
            5 => {
                let word = self.words[self.below(self.words.len())].bytes();
                let place = self.below(length + 1);
                drop(bytes.splice(place..place, word));
            }
            // The head of this one and the tail of another.
            6 => {
                let other = &self.corpus[self.below(self.corpus.len())];
                let from = self.below(other.len() + 1);
                bytes.truncate(self.below(length + 1));
                bytes.extend_from_slice(&other[from..]);
            }
            _ => bytes.truncate(self.below(length + 1)),
        }
    }
}
