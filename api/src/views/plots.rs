//! Tracks, ladders and comparisons as plots: which figures are drawn, and what is said beside them.

use wearmark_core::table::compare::{Comparison, Overall};
use wearmark_core::table::ladders::Ladder;
use wearmark_core::table::track::{FailureCount, Track, TrackPoint};

use super::dots::{Dots, Mark, Row};

/// A track: the index of each release with its interval, changes that are flagged, and failures.
pub fn track(track: &Track, data: String) -> Dots {
    let whose = track.card.as_ref().or(track.chip.as_ref()).map_or("", String::as_str);
    let reference = track.reference.as_deref().unwrap_or("none");
    let rows = track.points.iter().map(|point| release(track, point)).collect();
    Dots {
        title: format!("{whose} over driver releases"),
        about: format!("Rate, {reference} = 100, with 95 % intervals; {}.", track.holds_up.verdict),
        data,
        decimals: 1,
        reference: track.reference.is_some().then_some(100.0),
        rows,
    }
}

fn release(track: &Track, point: &TrackPoint) -> Row {
    let mut notes = Vec::new();
    let mut mark = Mark::Plain;
    for change in track.changes.iter().filter(|change| change.driver == point.driver) {
        let word = change.word.as_deref().unwrap_or("changed");
        let (sign, on) = match (change.percent > 0.0, &change.workload) {
            (up, None) => {
                mark = if up { Mark::Up } else { Mark::Down };
                (if up { '\u{25b2}' } else { '\u{25bc}' }, "all workloads")
            }
            (true, Some(workload)) => ('\u{25b2}', workload.as_str()),
            (false, Some(workload)) => ('\u{25bc}', workload.as_str()),
        };
        notes.push(format!("{sign} {word} than {}: {:+.1} %, {on}", change.from, change.percent));
    }
    let failed: [(&str, &[FailureCount]); 3] = [
        ("did not start", &point.did_not_start),
        ("crashed", &point.crashed),
        ("drew wrongly", &point.rendering_fault),
    ];
    for (how, failures) in failed {
        for failure in failures {
            let of = if failure.contributors == 1 { "" } else { "s" };
            notes.push(format!(
                "\u{2715} {} {how}, {} contributor{of}",
                failure.workload, failure.contributors
            ));
        }
    }
    Row {
        heading: None,
        label: point.driver.clone(),
        value: point.index,
        interval: point.index_low.zip(point.index_high),
        notes,
        mark,
    }
}

/// Ladders: the rate of each resolution with its interval, and what limits it.
pub fn ladders(card: &str, ladders: &[Ladder], data: String) -> Dots {
    let mut rows = Vec::new();
    for ladder in ladders {
        for (place, rung) in ladder.rungs.iter().enumerate() {
            let heading =
                || format!("{}, {}, {}, {}", ladder.workload, ladder.scene, ladder.preset, ladder.api);
            let of = if rung.contributors == 1 { "" } else { "s" };
            let limited = rung.limited_by.map_or("limit not known".to_owned(), |limit| match limit {
                "mixed" => "limited by card and platform".to_owned(),
                limit => format!("limited by the {limit}"),
            });
            rows.push(Row {
                heading: (place == 0).then(heading),
                label: format!("{}x{}", rung.width, rung.height),
                value: Some(rung.mean_fps),
                interval: rung.interval,
                notes: vec![format!("{limited}; {} contributor{of}", rung.contributors)],
                mark: Mark::Plain,
            });
        }
    }
    Dots {
        title: format!("{card} over resolutions"),
        about: "Mean rate, fps, with 95 % intervals where several contributors measured.".to_owned(),
        data,
        decimals: 1,
        reference: None,
        rows,
    }
}

/// A comparison: the ratio of each workload with its interval, and over all of them.
pub fn comparison(comparison: &Comparison, data: String) -> Dots {
    let mut rows = Vec::new();
    for against in &comparison.cards {
        let Overall { ratio, from, to, workloads, configurations, refused } = &against.mean_fps;
        let note = refused.clone().unwrap_or_else(|| {
            let of = |n: u32, noun: &str| format!("{n} {noun}{}", if n == 1 { "" } else { "s" });
            format!("{} at {}", of(*workloads, "workload"), of(*configurations, "configuration"))
        });
        rows.push(Row {
            heading: Some(against.card.clone()),
            label: "over all".to_owned(),
            value: *ratio,
            interval: from.zip(*to),
            notes: vec![note],
            mark: Mark::Sum,
        });
        rows.extend(against.workloads.iter().map(|workload| Row {
            heading: None,
            label: workload.workload.clone(),
            value: Some(workload.mean_fps_ratio),
            interval: workload.mean_fps_from.zip(workload.mean_fps_to),
            notes: Vec::new(),
            mark: Mark::Plain,
        }));
    }
    let others = match comparison.cards.as_slice() {
        [one] => one.card.clone(),
        several => format!("{} cards", several.len()),
    };
    Dots {
        title: format!("{others} against {}", comparison.base),
        about: format!("Mean rate over that of {}, with 95 % intervals.", comparison.base),
        data,
        decimals: 2,
        reference: Some(1.0),
        rows,
    }
}
