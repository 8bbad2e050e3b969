//! Listings of what is in the frame: the accepted runs themselves, and the cards.

use polars::prelude::*;

use super::columns::*;
use super::frame::RunFrame;
use super::keys::{self, Words, codes};
use super::output::Table;
use crate::error::CoreError;

impl RunFrame {
    /// Every accepted run as one row, in the order of run ids: what the tables are made of, so that others
    /// can make them again.
    ///
    /// # Errors
    /// When the table engine fails.
    pub fn export(&self) -> Result<Table, CoreError> {
        let data = self.data()?;
        exported(&data)
            .map_err(|source| CoreError::Table { doing: "listing the runs", source })
            .and_then(Table::of)
    }
}

fn exported(data: &DataFrame) -> PolarsResult<Vec<Column>> {
    let runs = data.column(RUN)?.str()?;
    let mut order: Vec<usize> = (0..data.height()).collect();
    order.sort_unstable_by_key(|row| runs.get(*row));
    let words = |name: &str| Words::all(data, name).map(|words| words.column(name, &order));
    let numbers = |name: &str| -> PolarsResult<Column> {
        let all = codes(data, name)?;
        Ok(Column::new(name.into(), order.iter().map(|row| all[*row]).collect::<Vec<u32>>()))
    };
    let figures = |name: &str| -> PolarsResult<Column> {
        let all = data.column(name)?.f64()?;
        Ok(Column::new(name.into(), order.iter().map(|row| all.get(*row)).collect::<Vec<Option<f64>>>()))
    };
    let days = |name: &str| -> PolarsResult<Column> {
        let all = data.column(name)?.i32()?;
        Ok(Column::new(name.into(), order.iter().map(|row| all.get(*row)).collect::<Vec<Option<i32>>>()))
    };
    let named = |name: &str, of: fn(usize) -> Option<&'static str>| -> PolarsResult<Column> {
        let all = codes(data, name)?;
        let names: Vec<Option<&str>> = order.iter().map(|row| of(all[*row] as usize)).collect();
        Ok(Column::new(name.into(), names))
    };
    Ok(vec![
        Column::new(RUN.into(), order.iter().map(|row| runs.get(*row)).collect::<Vec<Option<&str>>>()),
        words(CONTRIBUTOR)?,
        words(CARD)?,
        words(CHIP)?,
        words(WORKLOAD)?,
        words(WORKLOAD_KIND)?,
        words(SCENE)?,
        named(SCENE_KIND, |at| SCENE_KINDS.get(at).map(|kind| kind.as_str()))?,
        words(API)?,
        words(PRESET)?,
        numbers(WIDTH)?,
        numbers(HEIGHT)?,
        figures(RENDER_SCALE)?,
        words(VARIANT)?,
        words(DRIVER)?,
        words(BRANCH)?,
        days(DRIVER_DAY)?,
        words(BUILD)?,
        words(PLATFORM)?,
        words(BENCH)?,
        named(OUTCOME, |at| OUTCOMES.get(at).map(|outcome| outcome.as_str()))?,
        named(GRADE, |at| GRADES.get(at).map(|grade| grade.as_str()))?,
        days(MEASURED_DAY)?,
        figures(MEAN_FPS)?,
        figures(LOW_PERCENTILE_FPS)?,
        figures(LOW_TAIL_MEAN_FPS)?,
        figures(LOW_TIME_SHARE_FPS)?,
        figures(BETWEEN_PASS_CV)?,
        figures(CARD_SHARE)?,
        figures(SHARE_LOGIT_SD)?,
        figures(ADJUSTED_FPS)?,
    ])
}

/// The cards with accepted runs, by id: `card`, `chip`, `runs`, `contributors`, `benches`, `workloads`,
/// `drivers`, `failures` (runs that did not complete), `first_measured_on`, `last_measured_on`.
///
/// # Errors
/// When the table engine fails.
pub fn cards(frame: &RunFrame) -> Result<Table, CoreError> {
    let data = frame.data()?;
    summary(&data)
        .map_err(|source| CoreError::Table { doing: "listing the cards", source })
        .and_then(Table::of)
}

fn summary(data: &DataFrame) -> PolarsResult<Vec<Column>> {
    let distinct = |name: &str, title: &str| col(name).to_physical().n_unique().alias(title);
    let cards = data
        .clone()
        .lazy()
        .group_by([col(CARD)])
        .agg([
            col(RUN).len().alias("runs"),
            distinct(CONTRIBUTOR, "contributors"),
            distinct(BENCH, "benches"),
            distinct(WORKLOAD, "workloads"),
            distinct(DRIVER, "drivers"),
            col(OUTCOME).neq(lit(0_u32)).sum().alias("failures"),
            col(MEASURED_DAY).min().alias("first"),
            col(MEASURED_DAY).max().alias("last"),
        ])
        .collect()?;
    let chips = Words::all(data, CHIP)?;
    let chip_of = keys::attribute(&Words::all(data, CARD)?, &chips);
    let card = Words::all(&cards, CARD)?;
    let chip = chips.recoded(card.codes.iter().map(|code| keys::chosen(&chip_of, *code)).collect());
    let ranks = card.ranks();
    let mut order: Vec<usize> = (0..cards.height()).collect();
    order.sort_unstable_by_key(|row| ranks[*row]);
    let numbers = |name: &str| -> PolarsResult<Column> {
        let all = codes(&cards, name)?;
        Ok(Column::new(name.into(), order.iter().map(|row| all[*row]).collect::<Vec<u32>>()))
    };
    let dates = |name: &str, title: &str| -> PolarsResult<Column> {
        let all = cards.column(name)?.i32()?;
        let dates: Vec<Option<String>> = order.iter().map(|row| all.get(*row).and_then(keys::date)).collect();
        Ok(Column::new(title.into(), dates))
    };
    Ok(vec![
        card.column(CARD, &order),
        chip.column(CHIP, &order),
        numbers("runs")?,
        numbers("contributors")?,
        numbers("benches")?,
        numbers("workloads")?,
        numbers("drivers")?,
        numbers("failures")?,
        dates("first", "first_measured_on")?,
        dates("last", "last_measured_on")?,
    ])
}
