//! A card's track beside those of other cards: what driver releases did to it against what they did to the others
//! meanwhile.

use chrono::NaiveDate;
use polars::prelude::*;
use serde::{Deserialize, Serialize};

use super::frame::RunFrame;
use super::keys;
use super::matched::Evidence;
use super::output::Table;
use super::panel::{Contrast, Panel};
use super::track::{Subject, TrackQuery};
use crate::catalogue::Catalogue;
use crate::error::CoreError;
use crate::policy::Policy;
use crate::statistics::variation::satterthwaite;

/// A card or chip against a basket of cards.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct AgainstBasket {
    /// Cards of the basket that have a track.
    pub cards: Vec<String>,
    /// Cards of the basket that have none: no bench has two releases of them at one configuration.
    pub without_track: Vec<String>,
    /// The release of the card that is 100.
    pub reference: Option<String>,
    /// `keeps up`, `falls behind`, `pulls ahead` or `not enough evidence`.
    pub verdict: String,
    /// The figures that gave it.
    pub because: String,
    /// Releases of the card, oldest first, that can be compared.
    pub points: Vec<BasketPoint>,
}

/// A release of the card against the basket at its date.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct BasketPoint {
    /// Driver release id.
    pub driver: String,
    /// Its date, ISO 8601.
    pub date: String,
    /// What the card's rate changed by since the reference over what the basket's did, times 100.
    pub relative: f64,
    /// 95 % interval; none at the reference.
    pub relative_low: Option<f64>,
    /// See `relative_low`.
    pub relative_high: Option<f64>,
    /// Cards of the basket that were measured on a release of before that date, and of before the reference's.
    pub cards: u32,
}

/// A basket card's own comparison of releases.
struct Tracked {
    panel: Panel,
    /// Place and day of each release that the comparison has, oldest first.
    releases: Vec<(usize, i32)>,
}

impl Tracked {
    fn of(
        frame: &RunFrame,
        subject: Subject<'_>,
        workloads: &[String],
        policy: &Policy,
    ) -> Result<Option<(Evidence, Tracked)>, CoreError> {
        let evidence = Evidence::of(frame, subject, workloads, policy)?;
        let Some(panel) = Panel::fit(&evidence.rows, evidence.releases.len(), None, &policy.track) else {
            return Ok(None);
        };
        let releases = evidence
            .releases
            .iter()
            .enumerate()
            .filter_map(|(place, release)| panel.contrast(place, place).and(Some((place, release.day?))))
            .collect();
        Ok(Some((evidence, Tracked { panel, releases })))
    }

    /// What came of the card between two days: its newest release of the one over that of the other.
    fn between(&self, from: i32, to: i32) -> Option<Contrast> {
        let at = |day: i32| self.releases.iter().rev().find(|(_, of)| *of <= day).map(|(place, _)| *place);
        self.panel.contrast(at(to)?, at(from)?)
    }
}

/// The cards whose chip the vendor's newest release of the current branch supports, in the order of their ids; those of
/// the subject are left out.
pub fn supported(catalogue: &Catalogue, subject: Subject<'_>) -> Vec<String> {
    let mut cards: Vec<String> = catalogue
        .document()
        .cards
        .iter()
        .filter(|card| match subject {
            Subject::Card(id) => card.id != id,
            Subject::Chip(id) => card.chip != id,
        })
        .filter(|card| super::value::is_current(catalogue, card, NaiveDate::MAX))
        .map(|card| card.id.clone())
        .collect();
    cards.sort_unstable();
    cards
}

/// The track of a card or chip relative to the geometric mean of the cards of a basket, matched by date: at each release
/// of the card every card of the basket counts by its newest release of before that day that it was measured on. Each
/// card is compared with itself only, from matched evidence as in its own track, so that which benches have which cards
/// does not matter; a card that was not measured on a new release stays at its last one. The basket is what it is, no
/// sample of cards: the interval has the errors of all tracks, taken as independent, and not what the cards differ by.
/// Releases are left out at which fewer cards than the policy's can be compared.
///
/// The verdict is by the newest such release against the oldest: `falls behind` or `pulls ahead` where the interval leaves
/// out none and the change is beyond the least one that is called, else `keeps up`.
///
/// # Errors
/// `Query` when the reference has no figures of the card, or the basket names a card twice or the card itself; otherwise
/// when the table engine fails.
pub fn against_basket(
    frame: &RunFrame,
    subject: Subject<'_>,
    query: &TrackQuery<'_>,
    basket: &[String],
    policy: &Policy,
) -> Result<AgainstBasket, CoreError> {
    for (at, card) in basket.iter().enumerate() {
        if basket[..at].contains(card) || subject == Subject::Card(card) {
            return Err(CoreError::Query(format!(
                "card `{card}` is in the basket twice or is the card itself; name other cards, each once"
            )));
        }
    }
    let mut others = Vec::new();
    let mut found = AgainstBasket {
        cards: Vec::new(),
        without_track: Vec::new(),
        reference: None,
        verdict: "not enough evidence".to_owned(),
        because: String::new(),
        points: Vec::new(),
    };
    for card in basket {
        match Tracked::of(frame, Subject::Card(card), query.workloads, policy)? {
            Some((_, tracked)) => {
                found.cards.push(card.clone());
                others.push(tracked);
            }
            None => found.without_track.push(card.clone()),
        }
    }
    let own = Tracked::of(frame, subject, query.workloads, policy)?;
    let Some((evidence, own)) = own else {
        found.because = "no bench has two releases of it at one configuration".to_owned();
        return Ok(found);
    };
    let reference = match query.reference {
        Some(id) => Some(evidence.with_figures(id).ok_or_else(|| {
            CoreError::Query(format!("driver release `{id}` has no accepted, completed run to compare with"))
        })?),
        None => super::track::most_matched(&evidence, &policy.track),
    };
    let day_of = |place: usize| own.releases.iter().find(|(at, _)| *at == place).map(|(_, day)| *day);
    let Some((reference, start)) = reference.and_then(|place| Some((place, day_of(place)?))) else {
        found.because = "the reference has no date, or nothing connects it".to_owned();
        return Ok(found);
    };
    found.reference = Some(evidence.releases[reference].driver.clone());
    let least = policy.track.basket_cards as usize;
    let relative = |to: (usize, i32), from: (usize, i32)| {
        let card = own.panel.contrast(to.0, from.0)?;
        let basket: Vec<Contrast> = others.iter().filter_map(|card| card.between(from.1, to.1)).collect();
        (basket.len() >= least).then(|| (less_mean(&card, &basket), basket.len() as u32))
    };
    let mut compared: Vec<(usize, i32)> = Vec::new();
    for &(place, day) in &own.releases {
        let (Some((contrast, cards)), Some(date)) =
            (relative((place, day), (reference, start)), keys::date(day))
        else {
            continue;
        };
        let interval = (place != reference).then(|| contrast.interval(policy.table.confidence));
        compared.push((place, day));
        found.points.push(BasketPoint {
            driver: evidence.releases[place].driver.clone(),
            date,
            relative: 100.0 * contrast.value.exp(),
            relative_low: interval.map(|(low, _)| 100.0 * low),
            relative_high: interval.map(|(_, high)| 100.0 * high),
            cards,
        });
    }
    let ends = compared.first().zip(compared.last()).filter(|(first, last)| first != last);
    let Some((change, &first, &last)) =
        ends.and_then(|(first, last)| Some((relative(*last, *first)?.0, first, last)))
    else {
        found.because = format!(
            "fewer than two releases have {least} cards of the basket beside them that were measured before and after"
        );
        return Ok(found);
    };
    let (low, high) = change.interval(policy.table.confidence);
    let percent = 100.0 * change.value.exp_m1();
    let large = percent.abs() > 100.0 * policy.track.least_change;
    found.verdict = match (large, low > 1.0, high < 1.0) {
        (true, true, _) => "pulls ahead",
        (true, _, true) => "falls behind",
        _ => "keeps up",
    }
    .to_owned();
    found.because = format!(
        "from {} to {} its rate changed by {percent:+.1} % ({:+.1} to {:+.1} %) against the basket",
        evidence.releases[first.0].driver,
        evidence.releases[last.0].driver,
        100.0 * (low - 1.0),
        100.0 * (high - 1.0)
    );
    Ok(found)
}

/// The points of a basket as rows, for CSV and Parquet: the fields of [`BasketPoint`] after `reference`.
///
/// # Errors
/// When the table engine fails.
pub fn basket_table(found: &AgainstBasket) -> Result<Table, CoreError> {
    let points = &found.points;
    let words = |name: &str, of: &dyn Fn(&BasketPoint) -> Option<String>| {
        Column::new(name.into(), points.iter().map(of).collect::<Vec<Option<String>>>())
    };
    let figures = |name: &str, of: &dyn Fn(&BasketPoint) -> Option<f64>| {
        Column::new(name.into(), points.iter().map(of).collect::<Vec<Option<f64>>>())
    };
    Table::of(vec![
        words("reference", &|_| found.reference.clone()),
        words("driver", &|p| Some(p.driver.clone())),
        words("date", &|p| Some(p.date.clone())),
        figures("relative", &|p| Some(p.relative)),
        figures("relative_low", &|p| p.relative_low),
        figures("relative_high", &|p| p.relative_high),
        Column::new("cards".into(), points.iter().map(|p| p.cards).collect::<Vec<u32>>()),
    ])
}

/// A contrast less the mean of others, all independent.
fn less_mean(card: &Contrast, others: &[Contrast]) -> Contrast {
    let n = others.len() as f64;
    let mut parts = vec![card.variance];
    let mut dfs = vec![card.df];
    for other in others.iter().filter(|other| other.variance > 0.0) {
        parts.push(other.variance / (n * n));
        dfs.push(other.df);
    }
    let variance = parts.iter().sum();
    let df =
        if card.variance > 0.0 { satterthwaite(&parts, &dfs) } else { satterthwaite(&parts[1..], &dfs[1..]) };
    Contrast { value: card.value - others.iter().map(|other| other.value).sum::<f64>() / n, variance, df }
}

#[cfg(test)]
#[expect(clippy::unwrap_used, reason = "tests")]
mod tests {
    use super::*;
    use crate::fact::RunFact;
    use crate::identity::Identity;
    use crate::run::Outcome;
    use crate::statistics::Grade;
    use crate::statistics::distribution::t_upper;

    /// Runs of cards on releases 0, 1 and 2, a hundred days apart: each of four benches at one configuration, at these
    /// rates.
    fn frame(cards: &[(&str, [Option<f64>; 3])]) -> RunFrame {
        let mut facts: Vec<RunFact> = Vec::new();
        for (card, rates) in cards {
            for bench in 0..4 {
                for (release, fps) in rates.iter().enumerate() {
                    let Some(fps) = fps else { continue };
                    let identity = Identity {
                        card: (*card).to_owned(),
                        driver: format!("{card}-d{release}"),
                        driver_day: Some(100 * release as i32),
                        bench: format!("bench {bench} of {card}"),
                        ..Identity::example()
                    };
                    facts.push(RunFact {
                        card_share: None,
                        run: format!("{:05}", facts.len()),
                        contributor: format!("owner {bench} of {card}"),
                        identity,
                        outcome: Outcome::Completed,
                        grade: Grade::Full,
                        measured_day: 500,
                        mean_fps: Some(fps * (1.0 + 0.1 * f64::from(bench))),
                        low_percentile_fps: None,
                        low_tail_mean_fps: None,
                        low_time_share_fps: None,
                        between_pass_cv: None,
                    });
                }
            }
        }
        RunFrame::new(&facts).unwrap()
    }

    fn against(frame: &RunFrame, basket: &[&str]) -> Result<AgainstBasket, CoreError> {
        let basket: Vec<String> = basket.iter().map(|card| (*card).to_owned()).collect();
        let query = TrackQuery::against("old-d0");
        against_basket(frame, Subject::Card("old"), &query, &basket, &Policy::published())
    }

    /// The card stays where it is while the basket gains a fifth in the geometric mean: 1.2^3 = 1.44 x 1.2 x 1.
    #[test]
    fn a_card_that_stays_falls_behind_a_basket_that_gains() {
        let frame = frame(&[
            ("old", [Some(50.0), Some(50.0), Some(50.0)]),
            ("a", [Some(60.0), Some(60.0), Some(86.4)]),
            ("b", [Some(40.0), None, Some(48.0)]),
            ("c", [Some(90.0), Some(90.0), None]),
        ]);
        let found = against(&frame, &["a", "b", "c"]).unwrap();
        let relative: Vec<f64> = found.points.iter().map(|point| point.relative).collect();
        assert!((relative[0] - 100.0).abs() < 1e-9 && (relative[1] - 100.0).abs() < 1e-9, "{relative:?}");
        assert!((relative[2] - 100.0 / 1.2).abs() < 1e-9, "{relative:?}");
        assert_eq!(found.verdict, "falls behind", "{}", found.because);
        let last = &found.points[2];
        assert!(last.relative_low.unwrap() < last.relative && last.relative < last.relative_high.unwrap());
        assert_eq!((last.cards, found.points[0].relative_low), (3, None));
        // The errors of the basket's tracks are in the interval.
        let width = |p: &BasketPoint| (p.relative_high.unwrap() / p.relative_low.unwrap()).ln();
        assert!(width(last) > width(&found.points[1]));
    }

    #[test]
    fn too_few_cards_make_no_basket_and_say_so() {
        let frame = frame(&[
            ("old", [Some(50.0), Some(50.0), Some(50.0)]),
            ("a", [Some(60.0), Some(60.0), Some(86.4)]),
            ("b", [Some(40.0), None, None]),
        ]);
        let found = against(&frame, &["a", "b"]).unwrap();
        assert_eq!((found.verdict.as_str(), found.points.len()), ("not enough evidence", 0));
        assert_eq!((found.cards, found.without_track), (vec!["a".to_owned()], vec!["b".to_owned()]));
        assert!(found.because.contains("3 cards"), "{}", found.because);
        assert!(against(&frame, &["a", "a"]).unwrap_err().to_string().contains("`a`"));
        assert!(against(&frame, &["old"]).is_err());
    }

    #[test]
    fn the_variance_of_a_mean_is_that_of_independent_tracks() {
        let one = |variance: f64, df: f64| Contrast { value: 0.02, variance, df };
        let found = less_mean(&one(4e-4, 8.0), &[one(1e-4, 10.0), one(3e-4, 10.0), one(0.0, f64::NAN)]);
        assert!((found.variance - (4e-4 + 4e-4 / 9.0)).abs() < 1e-15 && found.df > 8.0, "{found:?}");
        assert!(found.value.abs() < 1e-15);
        assert!(t_upper(0.025, found.df) < t_upper(0.025, 8.0));
    }
}
