//! `curves.csv`: `time_s`, then one column per figure over time, named by its id with the unit at the end.

use crate::store::StoreError;
use crate::units::Seconds;

/// Figures over time as they stand in a file.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct CurvesTable {
    /// Instants.
    pub times: Vec<Seconds>,
    /// Figures: id, and one value per instant; `None` where unknown.
    pub columns: Vec<(String, Vec<Option<f64>>)>,
}

/// The bytes of `curves.csv`.
///
/// # Errors
/// When the table cannot be built; a fault of the machine.
pub fn curves_csv(curves: &CurvesTable) -> Result<Vec<u8>, StoreError> {
    let mut writer = csv::Writer::from_writer(Vec::new());
    let names = curves.columns.iter().map(|c| c.0.as_str());
    writer.write_record(std::iter::once("time_s").chain(names))?;
    for (i, time) in curves.times.iter().enumerate() {
        let values = curves
            .columns
            .iter()
            .map(|(_, values)| cell(values.get(i).copied().flatten()));
        writer.write_record(std::iter::once(format!("{:.7}", time.0)).chain(values))?;
    }
    writer.into_inner().map_err(|e| StoreError::Csv {
        source: e.into_error().into(),
    })
}

/// Seven significant digits: finer than any doubt, and short.
pub(super) fn cell(value: Option<f64>) -> String {
    value.filter(|v| v.is_finite()).map_or_else(String::new, |v| {
        let digits = if v == 0.0 {
            0
        } else {
            v.abs().log10().floor() as i32
        };
        format!("{v:.*}", (6 - digits).clamp(0, 9) as usize)
    })
}

/// Reads the bytes of a `curves.csv`.
///
/// # Errors
/// Not a table, no time in it, or a cell that is no number.
pub fn read_curves(bytes: &[u8]) -> Result<CurvesTable, StoreError> {
    let mut reader = csv::ReaderBuilder::new().trim(csv::Trim::All).from_reader(bytes);
    let header = reader.headers()?.clone();
    if header.get(0) != Some("time_s") {
        return Err(StoreError::NoColumn {
            column: "time_s".to_owned(),
        });
    }
    let mut table = CurvesTable {
        times: Vec::new(),
        columns: header
            .iter()
            .skip(1)
            .map(|h| (h.to_owned(), Vec::new()))
            .collect(),
    };
    for record in reader.records() {
        let record = record?;
        let line = record.position().map_or(0, csv::Position::line);
        let number = |column: usize| -> Result<Option<f64>, StoreError> {
            match record.get(column).unwrap_or("") {
                "" => Ok(None),
                text => text.parse().map(Some).map_err(|_| StoreError::NotANumber {
                    line,
                    column: header.get(column).unwrap_or("").to_owned(),
                    text: text.to_owned(),
                }),
            }
        };
        table.times.push(Seconds(number(0)?.unwrap_or_default()));
        for (i, (_, values)) in table.columns.iter_mut().enumerate() {
            values.push(number(i + 1)?);
        }
    }
    Ok(table)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn curves_survive_being_written() {
        let curves = CurvesTable {
            times: vec![Seconds(0.5), Seconds(0.5041667)],
            columns: vec![
                ("hand_speed_m_s".to_owned(), vec![Some(31.23456), None]),
                ("x_deg".to_owned(), vec![Some(-0.0012345), Some(1234.5)]),
            ],
        };
        let bytes = curves_csv(&curves).unwrap();
        let back = read_curves(&bytes).unwrap();
        assert_eq!(back, curves);
        assert!(read_curves(b"a,b\n1,2\n").is_err());
        assert!(read_curves(b"time_s,b\n1,x\n").is_err());
    }
}
