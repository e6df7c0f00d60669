//! The folder that a trial leaves: opened before the run, fed while it lasts, completed at its end.
//!
//! What was recorded goes into a plain journal as it comes, so that a run cut off at any moment keeps what it had; at the
//! end it becomes columns. What it does not: know what is in the bytes (`trial/record.rs`, `bench/frames.rs`, `report`).
//! Start reading at [`Record::open`].

use std::fs::{self, File};
use std::io::{BufReader, BufWriter, ErrorKind, Read, Write};
use std::path::{Path, PathBuf};

use crate::base::recording::{Row, Signal};
use crate::base::time::TickRate;
use crate::bench::frames;
use crate::host::files::{HostError, make_record_folder, refused, write_whole};
use crate::trial::examination::Examination;
use crate::trial::record::columns;

/// Bytes of a row in the journal: its values as little-endian f64, in the order of the columns.
const ROW_BYTES: usize = 8 * Signal::ALL.len();

/// A record being made.
#[derive(Debug)]
pub struct Record {
    folder: PathBuf,
    rows: BufWriter<File>,
    frames: BufWriter<File>,
}

impl Record {
    /// Makes the folder and puts the scenario into it as it was read.
    ///
    /// # Errors
    /// A folder that exists or cannot be made.
    pub fn open(folder: &Path, scenario_text: &str, seed: u64) -> Result<Self, HostError> {
        make_record_folder(folder)?;
        write_whole(&folder.join("record.txt"), what_is_here(seed).as_bytes())?;
        write_whole(&folder.join("scenario.toml"), scenario_text.as_bytes())?;
        let create = |name: &str| {
            let path = folder.join(name);
            File::create(&path).map(BufWriter::new).map_err(|error| refused("make", &path, &error))
        };
        let mut record =
            Self { folder: folder.to_path_buf(), rows: create("tuning.journal")?, frames: create("frames.bin")? };
        record.keep(&[], frames::TITLE)?;
        Ok(record)
    }

    /// Where it is.
    #[must_use]
    pub fn folder(&self) -> &Path {
        &self.folder
    }

    /// Removes the folder again, for a run that never began: the same command shall work once its cause is mended.
    pub fn discard(&mut self) {
        // What cannot be removed is refused by name at the next run.
        drop(fs::remove_dir_all(&self.folder));
    }

    /// Adds what was recorded, and hands it to the system: only a machine that loses power can lose it now.
    ///
    /// # Errors
    /// A full disk, and the like.
    pub fn keep(&mut self, rows: &[Row], frames: &[u8]) -> Result<(), HostError> {
        let written = rows
            .iter()
            .flatten()
            .try_for_each(|value| self.rows.write_all(&value.to_le_bytes()))
            .and_then(|()| self.rows.flush())
            .and_then(|()| self.frames.write_all(frames))
            .and_then(|()| self.frames.flush());
        written.map_err(|error| refused("write the record", &self.folder, &error))
    }

    /// From here on the rows are those of an examination through a controller outside: `nominal.journal`, ...
    ///
    /// # Errors
    /// What the system refuses.
    pub fn follow_examination(&mut self, number: usize) -> Result<(), HostError> {
        let path = self.folder.join(examination_file(number)).with_extension("journal");
        self.rows = File::create(&path).map(BufWriter::new).map_err(|error| refused("make", &path, &error))?;
        Ok(())
    }

    /// Turns the journal of tuning into columns.
    ///
    /// # Errors
    /// What the system refuses; the journal then stays.
    pub fn close_tuning(&mut self, rate: TickRate) -> Result<(), HostError> {
        let journal = self.folder.join("tuning.journal");
        let file = File::open(&journal).map_err(|error| refused("read", &journal, &error))?;
        let bytes = columns(JournalRows(BufReader::new(file)), rate).map_err(|error| HostError(error.to_string()))?;
        self.write("tuning.parquet", &bytes)?;
        fs::remove_file(&journal).map_err(|error| refused("remove", &journal, &error))
    }

    /// Adds an examination as columns: `nominal.parquet`, `corner-1.parquet`, ...
    ///
    /// # Errors
    /// What the system refuses.
    pub fn keep_examination(&self, number: usize, run: &Examination, rate: TickRate) -> Result<(), HostError> {
        let bytes = columns(run.rows(), rate).map_err(|error| HostError(error.to_string()))?;
        let name = examination_file(number);
        self.write(&name, &bytes)?;
        let journal = self.folder.join(name).with_extension("journal");
        match fs::remove_file(&journal) {
            Err(error) if error.kind() != ErrorKind::NotFound => Err(refused("remove", &journal, &error)),
            _ => Ok(()),
        }
    }

    /// Writes a file of the record, whole.
    ///
    /// # Errors
    /// What the system refuses.
    pub fn write(&self, name: &str, bytes: &[u8]) -> Result<(), HostError> {
        write_whole(&self.folder.join(name), bytes)
    }
}

/// What a person who opens the folder wants to know, also when the run was cut off.
fn what_is_here(seed: u64) -> String {
    let columns = Signal::ALL.map(Signal::key).join(", ");
    let version = env!("CARGO_PKG_VERSION");
    format!(
        "A trial's record, by plantstand {version}, seed {seed}.\n\n\
         A pass here is no proof that a machine is safe or that settings suit it. At a machine the maker's instructions,\n\
         the site's rules and local codes come first. Never connect the bench's link to a drive that can move real\n\
         machinery.\n\n\
         scenario.toml    the scenario as it was read\n\
         result.json      the result; report.html the same to look at; settings.toml the settings as stored\n\
         *.parquet        the runs as columns, a row a tick\n\
         frames.bin       every frame of the method, with the tick at whose start it was read\n\
         method.*         what the method said\n\n\
         Of a run that was cut off there is neither result nor Parquet; it keeps scenario.toml, frames.bin and\n\
         tuning.journal (nominal.journal, ... where a controller outside is examined), a row a tick, each value eight bytes, a little-endian double, in this order:\n\
         {columns}.\n"
    )
}

fn examination_file(number: usize) -> String {
    match number {
        0 => "nominal.parquet".to_owned(),
        corner => format!("corner-{corner}.parquet"),
    }
}

/// The rows of a journal, up to the last whole one.
struct JournalRows(BufReader<File>);

impl Iterator for JournalRows {
    type Item = Row;

    fn next(&mut self) -> Option<Row> {
        let mut bytes = [0_u8; ROW_BYTES];
        self.0.read_exact(&mut bytes).ok()?;
        let mut row = [0.0; Signal::ALL.len()];
        for (value, bytes) in row.iter_mut().zip(bytes.chunks_exact(8)) {
            *value = f64::from_le_bytes(bytes.try_into().ok()?);
        }
        Some(row)
    }
}
