//! What a trial leaves behind, as bytes: the runs as columns.
//!
//! What it does not: frames (`bench/frames.rs`), write files (`host/files.rs`). Start reading at [`columns`].

use std::sync::Arc;

use parquet::basic::{Compression, Encoding, Repetition, Type as PhysicalType};
use parquet::data_type::{DoubleType, Int64Type};
use parquet::errors::ParquetError;
use parquet::file::properties::WriterProperties;
use parquet::file::writer::{SerializedColumnWriter, SerializedFileWriter, SerializedRowGroupWriter};
use parquet::schema::types::{ColumnPath, Type};

use crate::base::recording::{Row, Signal};
use crate::base::time::TickRate;

/// Rows of a group: about 33 seconds at 8 kHz, small enough to be read piece by piece.
const GROUP_ROWS: usize = 1 << 18;

/// Rows as a Parquet file: `tick` and the sensor's counts as whole numbers, everything else as f64.
///
/// # Errors
/// What the library says; writing into memory, it has no reason to.
pub fn columns(rows: impl Iterator<Item = Row>, rate: TickRate) -> Result<Vec<u8>, ParquetError> {
    let mut writer = SerializedFileWriter::new(Vec::new(), Arc::new(schema()?), Arc::new(properties()))?;
    let mut rows = rows.peekable();
    let mut first_tick = 0_u64;
    while rows.peek().is_some() {
        let group: Vec<Row> = rows.by_ref().take(GROUP_ROWS).collect();
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
        first_tick += group.len() as u64;
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
