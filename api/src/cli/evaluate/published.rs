//! The published medians, as the service would show them to anybody.

use std::collections::HashMap;

use anyhow::Context;
use wearmark_core::table::frame::RunFrame;
use wearmark_core::table::medians::{MediansQuery, medians};
use wearmark_seed_data::score::Published;

use crate::cli::exit::Failure;
use crate::intake::Intake;

/// The medians of all configurations, by the service's own defaults.
pub(super) fn published(intake: &Intake) -> Result<Vec<Published>, Failure> {
    let frame = intake.storage.frame().context("the accepted runs cannot be read")?;
    of_frame(&frame.frame, intake)
}

/// The same had those who lied for a median told the truth: `lies` has ln of what each did to the rates of its run, by
/// run id. Which runs count is as it is.
pub(super) fn truthful(intake: &Intake, lies: &HashMap<String, f64>) -> Result<Vec<Published>, Failure> {
    if lies.is_empty() {
        return Ok(Vec::new());
    }
    let factors = lies.iter().map(|(run, by)| (run.clone(), (-by).exp())).collect();
    let frame = intake.storage.frame().context("the accepted runs cannot be read")?;
    let frame = frame.frame.with_rates_times(&factors).context("rates cannot be changed")?;
    of_frame(&frame, intake)
}

fn of_frame(frame: &RunFrame, intake: &Intake) -> Result<Vec<Published>, Failure> {
    let table =
        medians(frame, &MediansQuery::default(), &intake.policy).context("the medians cannot be computed")?;
    let rows = table.json_rows();
    Ok(rows.iter().filter_map(row).collect())
}

fn row(row: &serde_json::Value) -> Option<Published> {
    let word = |name: &str| row.get(name).and_then(serde_json::Value::as_str).unwrap_or("").to_owned();
    let number = |name: &str| row.get(name).and_then(serde_json::Value::as_f64);
    let whole = |name: &str| row.get(name).and_then(serde_json::Value::as_u64);
    // The same words as `Identity::configuration`.
    let configuration = format!(
        "{}|{}|{}|{}|{}|{}x{}|{}|{}",
        word("card"),
        word("workload"),
        word("scene"),
        word("api"),
        word("preset"),
        whole("width")?,
        whole("height")?,
        number("render_scale")?,
        word("variant")
    );
    Some(Published {
        configuration,
        contributors: usize::try_from(whole("contributors")?).ok()?,
        value: number("mean_fps")?,
        adjusted: number("adjusted_fps"),
        interval: number("mean_fps_from").zip(number("mean_fps_to")),
    })
}
