//! What a trial leaves behind, as bytes: the runs as columns, the frames with the tick each acted in.
//!
//! `frames.bin` opens with a line of text that says what it is; then every frame that reached the session, in order: the
//! tick at whose start it was read (u64), its length (u16), its bytes, all little-endian, the token of an open struck
//! out. What the bench sent is not kept: it follows from these to the bit, which a replay shows. What it does not:
//! write files (`host/files.rs`). Start reading at [`columns`].

use std::sync::Arc;

use parquet::basic::{Compression, Encoding, Repetition, Type as PhysicalType};
use parquet::data_type::{DoubleType, Int64Type};
use parquet::errors::ParquetError;
use parquet::file::properties::WriterProperties;
use parquet::file::writer::{SerializedColumnWriter, SerializedFileWriter, SerializedRowGroupWriter};
use parquet::schema::types::{ColumnPath, Type};

use crate::base::recording::{Row, Signal};
use crate::base::time::TickRate;

/// The line that `frames.bin` opens with.
pub const FRAMES_TITLE: &[u8] = b"plantstand frames 1: tick u64, length u16, bytes; little-endian\n";

/// Rows of a group: about 33 seconds at 8 kHz, small enough to be read piece by piece.
const GROUP_ROWS: usize = 1 << 18;

/// Rows as a Parquet file: `tick` and the sensor's counts as whole numbers, everything else as f64.
///
/// # Errors
/// What the library says; writing into memory, it has no reason to.
pub fn columns(rows: &[Row], rate: TickRate) -> Result<Vec<u8>, ParquetError> {
    let mut writer = SerializedFileWriter::new(Vec::new(), Arc::new(schema()?), Arc::new(properties()))?;
    for (number, group) in rows.chunks(GROUP_ROWS).enumerate() {
        let first_tick = (number * GROUP_ROWS) as u64;
        let mut out = writer.next_row_group()?;
        write_whole_numbers(&mut out, (0..group.len() as u64).map(|tick| (first_tick + tick) as i64))?;
        write_reals(&mut out, (0..group.len() as u64).map(|tick| rate.seconds(first_tick + tick)))?;
        for signal in Signal::ALL {
            let values = group.iter().map(|row| row[signal as usize]);
            if signal == Signal::Counts {
                write_whole_numbers(&mut out, values.map(|value| value as i64))?;
            } else {
                write_reals(&mut out, values)?;
            }
        }
        out.close()?;
    }
    writer.into_inner()
}

fn write_whole_numbers(
    out: &mut SerializedRowGroupWriter<'_, Vec<u8>>,
    values: impl Iterator<Item = i64>,
) -> Result<(), ParquetError> {
    let mut column = next(out)?;
    column.typed::<Int64Type>().write_batch(&values.collect::<Vec<_>>(), None, None)?;
    column.close()
}

fn write_reals(
    out: &mut SerializedRowGroupWriter<'_, Vec<u8>>,
    values: impl Iterator<Item = f64>,
) -> Result<(), ParquetError> {
    let mut column = next(out)?;
    column.typed::<DoubleType>().write_batch(&values.collect::<Vec<_>>(), None, None)?;
    column.close()
}

fn next<'a>(out: &'a mut SerializedRowGroupWriter<'_, Vec<u8>>) -> Result<SerializedColumnWriter<'a>, ParquetError> {
    out.next_column()?.ok_or_else(|| ParquetError::General("fewer columns than the schema names".to_owned()))
}

fn schema() -> Result<Type, ParquetError> {
    let mut fields = vec![field("tick", PhysicalType::INT64)?, field("time_s", PhysicalType::DOUBLE)?];
    for signal in Signal::ALL {
        let kind = if signal == Signal::Counts { PhysicalType::INT64 } else { PhysicalType::DOUBLE };
        fields.push(field(signal.key(), kind)?);
    }
    Type::group_type_builder("run").with_fields(fields).build()
}

fn field(name: &str, kind: PhysicalType) -> Result<Arc<Type>, ParquetError> {
    Ok(Arc::new(Type::primitive_type_builder(name, kind).with_repetition(Repetition::REQUIRED).build()?))
}

/// Whole numbers as differences, reals split by byte: both let the compressor see what hardly changes.
fn properties() -> WriterProperties {
    let mut builder = WriterProperties::builder().set_compression(Compression::SNAPPY).set_dictionary_enabled(false);
    for name in ["tick", Signal::Counts.key()] {
        builder = builder.set_column_encoding(ColumnPath::from(name), Encoding::DELTA_BINARY_PACKED);
    }
    let reals = Signal::ALL.into_iter().filter(|signal| *signal != Signal::Counts).map(Signal::key);
    for name in reals.chain(["time_s"]) {
        builder = builder.set_column_encoding(ColumnPath::from(name), Encoding::BYTE_STREAM_SPLIT);
    }
    builder.build()
}

/// Adds a frame to the bytes of `frames.bin`.
pub fn log_frame(out: &mut Vec<u8>, tick: u64, frame: &[u8]) {
    // A datagram is at most 65 507 bytes; what is longer than a frame can be was refused and is cut here.
    let kept = &frame[..frame.len().min(usize::from(u16::MAX))];
    out.extend_from_slice(&tick.to_le_bytes());
    out.extend_from_slice(&(kept.len() as u16).to_le_bytes());
    out.extend_from_slice(kept);
}

/// The frames of `frames.bin` with their ticks, up to the first that was cut off; `None` when it is no such file.
#[must_use]
pub fn read_frames(bytes: &[u8]) -> Option<Vec<(u64, &[u8])>> {
    let mut rest = bytes.strip_prefix(FRAMES_TITLE)?;
    let mut frames = Vec::new();
    while let Some((tick, after)) = rest.split_first_chunk::<8>() {
        let Some((length, after)) = after.split_first_chunk::<2>() else { break };
        let Some((frame, after)) = after.split_at_checked(usize::from(u16::from_le_bytes(*length))) else { break };
        frames.push((u64::from_le_bytes(*tick), frame));
        rest = after;
    }
    Some(frames)
}
