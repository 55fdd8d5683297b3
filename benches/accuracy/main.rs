//! How true the figures are: `make accuracy`.
//!
//! Films numbered deliveries, measures them and compares them with their truth, one after the other (minutes each), then
//! writes the page. What was measured before with the same network is not measured again:
//!
//! ```text
//! cargo bench --bench accuracy -- --out accuracy --deliveries 40 --page docs/accuracy.md
//! ```
//!
//! `--from N` starts at another number; `--budget N` measures the first N of them also with one source of error taken away
//! at a time; `--only-page` measures nothing.

use std::io::Write;
use std::path::{Path, PathBuf};
use std::time::Instant;

use twinmound::accuracy::{Trial, Variant, add, page, read_log};
use twinmound::quality::Silent;
use twinmound::store::{sha256_hex, write_whole};

/// Whatever stops a run.
type Failure = Box<dyn std::error::Error>;

struct Arguments {
    out: PathBuf,
    page: Option<PathBuf>,
    from: usize,
    deliveries: usize,
    budget: usize,
    only_page: bool,
}

fn arguments() -> Result<Arguments, Failure> {
    let mut given = Arguments {
        out: PathBuf::from("accuracy"),
        page: None,
        from: 0,
        deliveries: 40,
        budget: 0,
        only_page: false,
    };
    let mut words = std::env::args().skip(1);
    while let Some(word) = words.next() {
        let mut value = || words.next().ok_or(format!("{word} needs a value"));
        match word.as_str() {
            "--out" => given.out = value()?.into(),
            "--page" => given.page = Some(value()?.into()),
            "--from" => given.from = value()?.parse()?,
            "--deliveries" => given.deliveries = value()?.parse()?,
            "--budget" => given.budget = value()?.parse()?,
            "--only-page" => given.only_page = true,
            // Cargo tells every bench that it is one.
            "--bench" => {}
            other => return Err(format!("{other} is not an option").into()),
        }
    }
    Ok(given)
}

/// Program version and keypoint network: results of another maker are not mixed in.
fn maker() -> Result<String, Failure> {
    let manifest = Path::new(env!("CARGO_MANIFEST_DIR")).join("models/athlete.toml");
    let network = sha256_hex(&manifest)?;
    Ok(format!(
        "{} network {}",
        env!("CARGO_PKG_VERSION"),
        &network[..12]
    ))
}

fn says(text: &str) -> Result<(), Failure> {
    writeln!(std::io::stderr(), "{text}")?;
    Ok(())
}

fn told(trial: &Trial) -> String {
    let result = match (&trial.outcome, &trial.refusal) {
        (Some(outcome), _) => format!("joints {:.1} mm", outcome.joints.mean_mm),
        (None, why) => format!("refused: {}", why.as_deref().unwrap_or_default()),
    };
    format!(
        "delivery {} {:?}: {} {}, {}",
        trial.scenario.number,
        trial.variant,
        trial.scenario.throws.name(),
        trial.scenario.style,
        result
    )
}

fn main() -> Result<(), Failure> {
    let given = arguments()?;
    let maker = maker()?;
    std::fs::create_dir_all(&given.out)?;
    let own =
        |trials: Vec<Trial>| -> Vec<Trial> { trials.into_iter().filter(|t| t.maker == maker).collect() };
    if !given.only_page {
        for number in given.from..given.from + given.deliveries {
            let done = own(read_log(&given.out)?);
            let wanted: &[Variant] = if number < given.from + given.budget {
                &Variant::ALL
            } else {
                &Variant::ALL[..1]
            };
            let missing: Vec<Variant> = wanted
                .iter()
                .copied()
                .filter(|v| {
                    !done
                        .iter()
                        .any(|t| t.scenario.number == number && t.variant == *v)
                })
                .collect();
            if missing.is_empty() {
                continue;
            }
            let start = Instant::now();
            for trial in add(&given.out, number, &missing, &maker, &Silent)? {
                says(&told(&trial))?;
            }
            says(&format!("  {:.0} s", start.elapsed().as_secs_f64()))?;
        }
    }
    let text = page(&own(read_log(&given.out)?));
    if let Some(path) = &given.page {
        write_whole(path, text.as_bytes())?;
    }
    writeln!(std::io::stdout(), "{text}")?;
    Ok(())
}
