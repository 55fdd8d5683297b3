//! A table as Apache Parquet: typed columns, unknown cells null, uncompressed.

use std::sync::Arc;

use parquet::basic::{Repetition, Type as Physical};
use parquet::data_type::DoubleType;
use parquet::errors::ParquetError;
use parquet::file::metadata::KeyValue;
use parquet::file::properties::WriterProperties;
use parquet::file::writer::{SerializedFileWriter, SerializedRowGroupWriter};
use parquet::schema::types::{Type, TypePtr};

use crate::store::{DELIVERY_SCHEMA, StoreError};
use crate::units::Seconds;

/// The bytes of a Parquet file: `time_s`, then the columns; `delivery` stands among the file's metadata under the name
/// of its schema.
pub(super) fn parquet_bytes(
    times: &[Seconds],
    columns: &[(String, Vec<Option<f64>>)],
    delivery: &str,
) -> Result<Vec<u8>, StoreError> {
    table(times, columns, delivery).map_err(|e| StoreError::Parquet { why: e.to_string() })
}

fn table(
    times: &[Seconds],
    columns: &[(String, Vec<Option<f64>>)],
    delivery: &str,
) -> Result<Vec<u8>, ParquetError> {
    let mut fields = vec![double("time_s", Repetition::REQUIRED)?];
    for (name, _) in columns {
        fields.push(double(name, Repetition::OPTIONAL)?);
    }
    let schema = Type::group_type_builder("delivery").with_fields(fields).build()?;
    let properties = WriterProperties::builder()
        .set_key_value_metadata(Some(vec![KeyValue::new(
            DELIVERY_SCHEMA.to_owned(),
            delivery.to_owned(),
        )]))
        .build();
    let mut bytes = Vec::new();
    let mut file = SerializedFileWriter::new(&mut bytes, Arc::new(schema), Arc::new(properties))?;
    let mut rows = file.next_row_group()?;
    let instants: Vec<f64> = times.iter().map(|t| t.0).collect();
    column(&mut rows, &instants, None)?;
    for (_, values) in columns {
        let known: Vec<f64> = values.iter().flatten().copied().collect();
        let levels: Vec<i16> = values.iter().map(|v| i16::from(v.is_some())).collect();
        column(&mut rows, &known, Some(&levels))?;
    }
    rows.close()?;
    file.close()?;
    Ok(bytes)
}

fn double(name: &str, repetition: Repetition) -> Result<TypePtr, ParquetError> {
    let field = Type::primitive_type_builder(name, Physical::DOUBLE)
        .with_repetition(repetition)
        .build()?;
    Ok(Arc::new(field))
}

/// Writes one column: its known values, and for each row whether it has one.
fn column<W: std::io::Write + Send>(
    rows: &mut SerializedRowGroupWriter<'_, W>,
    values: &[f64],
    levels: Option<&[i16]>,
) -> Result<(), ParquetError> {
    let Some(mut writer) = rows.next_column()? else {
        return Err(ParquetError::General("a column too many".to_owned()));
    };
    writer.typed::<DoubleType>().write_batch(values, levels, None)?;
    writer.close()
}
