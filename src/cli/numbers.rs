//! Numbers on the command line, each within the bounds of what it can be.

/// A number within bounds; what is outside (or not a number) is a slip of the unit or of the key.
pub(crate) fn within(text: &str, least: f64, most: f64, unit: &str) -> Result<f64, String> {
    let number: f64 = text.trim().parse().map_err(|_| "not a number".to_owned())?;
    if (least..=most).contains(&number) {
        Ok(number)
    } else {
        Err(format!("must be between {least} and {most} {unit}"))
    }
}

pub(crate) fn square_mm(text: &str) -> Result<f64, String> {
    within(text, 1.0, 1000.0, "mm")
}

pub(crate) fn margin_mm(text: &str) -> Result<f64, String> {
    within(text, 0.0, 3000.0, "mm")
}

pub(crate) fn apart_m(text: &str) -> Result<f64, String> {
    within(text, 0.05, 100.0, "m")
}

pub(crate) fn height_m(text: &str) -> Result<f64, String> {
    within(text, 0.8, 2.5, "m")
}

pub(crate) fn mass_kg(text: &str) -> Result<f64, String> {
    within(text, 15.0, 250.0, "kg")
}

pub(crate) fn age_years(text: &str) -> Result<f64, String> {
    within(text, 5.0, 80.0, "years")
}

pub(crate) fn rate_hz(text: &str) -> Result<f64, String> {
    within(text, 1.0, 2000.0, "Hz")
}

pub(crate) fn cutoff_hz(text: &str) -> Result<f64, String> {
    within(text, 0.5, 500.0, "Hz")
}

pub(crate) fn offset_s(text: &str) -> Result<f64, String> {
    within(text, -1e9, 1e9, "s")
}
