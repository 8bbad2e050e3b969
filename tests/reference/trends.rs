//! The course of an index against published examples: Sen's slope and interval, Kendall's test, the level of the Nile,
//! a two-way table; and by simulation how often stretches are right.

use wearmark_core::policy::Policy;
use wearmark_core::policy::track::TrackPolicy;
use wearmark_core::statistics::segments::changes;
use wearmark_core::statistics::trend::{kendall, trend};
use wearmark_core::table::frame::RunFrame;
use wearmark_core::table::track::{Subject, Track, TrackQuery, track};

use crate::cases::{Item, items, numbers};
use crate::facts::{Random, fact};

fn points(case: &Item) -> Vec<(f64, f64)> {
    numbers(case.input("x")).into_iter().zip(numbers(case.input("y"))).collect()
}

#[test]
fn slope_and_interval_are_those_of_sen() {
    for case in items("09-theil-sen-kendall", "theil_sen") {
        let found = trend(&points(&case), case.input("confidence").as_f64().unwrap()).unwrap();
        let (low, high) = found.interval.unwrap();
        assert!(case.meets("slope", &[found.slope]));
        assert!(case.meets("ci_low", &[low]) && case.meets("ci_high", &[high]));
    }
}

#[test]
fn kendalls_test_is_that_of_hollander_and_wolfe() {
    for case in items("09-theil-sen-kendall", "kendall") {
        let found = kendall(&points(&case)).unwrap();
        assert!(case.meets("S", &[found.s as f64]));
        assert!(case.meets("tau_b", &[found.tau]));
        assert!(case.meets("p_two_sided_exact", &[found.p]));
        // One-sided, the other way round as likely.
        assert!(case.meets("p_greater_exact", &[found.p / 2.0]));
    }
}

#[test]
fn levels_change_where_cobb_and_killick_found_them() {
    let cases = items("10-change-point", "changepoint_mean");
    assert!(cases.iter().any(|case| case.id() == "nile-1871-1970"));
    for case in &cases {
        let (data, penalties) = (case.data(), numbers(case.input("penalties")));
        let weights = vec![1.0; data.len()];
        let expected = case.expected("change_points").as_array().unwrap();
        assert_eq!(penalties.len(), expected.len());
        let mut costs = Vec::new();
        for (penalty, wanted) in penalties.iter().zip(expected) {
            let found = changes(&data, &weights, *penalty);
            let wanted: Vec<usize> = numbers(wanted).iter().map(|at| *at as usize).collect();
            assert_eq!(found, wanted, "{} at {penalty}", case.id());
            let starts = [0].into_iter().chain(found.iter().copied());
            let ends = found.iter().copied().chain([data.len()]);
            let within = starts.zip(ends).map(|(start, end)| {
                let mean = data[start..end].iter().sum::<f64>() / (end - start) as f64;
                data[start..end].iter().map(|x| (x - mean).powi(2)).sum::<f64>()
            });
            costs.push(within.sum::<f64>() + penalty * found.len() as f64);
            if found.len() == 1 {
                let mean = |part: &[f64]| part.iter().sum::<f64>() / part.len() as f64;
                assert!(case.meets("mean_before", &[mean(&data[..found[0]])]));
                assert!(case.meets("mean_after", &[mean(&data[found[0]..])]));
                assert!(case.meets("single_split_after", &[found[0] as f64]));
            }
        }
        assert!(case.meets("penalised_cost", &costs), "{}", case.id());
    }
}

/// In units of a standard error the same: one with twice the error costs a quarter.
#[test]
fn weights_are_what_a_unit_of_error_makes() {
    let case = &items("10-change-point", "changepoint_mean")[0];
    let data = case.data();
    let sd = 125.0;
    let in_units: Vec<f64> = data.iter().map(|x| x / sd).collect();
    let weights = vec![1.0 / (sd * sd); data.len()];
    for penalty in [4.0, 8.0, 16.0] {
        let found = changes(&data, &weights, penalty);
        assert_eq!(found, changes(&in_units, &vec![1.0; data.len()], penalty));
        assert!(found.contains(&28), "{penalty}: {found:?}");
    }
}

/// The regions are contributors with a bench each, the levels of education releases: without builds and with nothing that
/// releases do on single benches and workloads, the track of a balanced two-way table is its additive fit by least
/// squares. (The product has no median polish, the publication's other fit.)
#[test]
fn the_index_of_a_balanced_table_is_its_additive_fit() {
    for case in items("12-two-way-table", "median_polish") {
        let table = case.input("table").as_array().unwrap();
        let mut facts = Vec::new();
        for (region, row) in table.iter().enumerate() {
            for (level, value) in numbers(row).into_iter().enumerate() {
                let mut fact = fact(facts.len(), &format!("region {region}"), "card", (value / 10.0).exp());
                fact.identity.driver = format!("level {level}");
                fact.identity.driver_day = Some(level as i32);
                facts.push(fact);
            }
        }
        let frame = RunFrame::new(&facts).unwrap();
        let published = Policy::published();
        let none = TrackPolicy {
            release_workload_sd: 0.0,
            bench_release_sd: 0.0,
            build_sd: 1e-9,
            // The mean fit has no outliers.
            outlier_from: 1e9,
            ..published.track
        };
        let policy = Policy { track: none, ..Policy::published() };
        let columns = numbers(case.recomputed("mean_fit_column"));
        for (reference, base) in columns.iter().enumerate() {
            let id = format!("level {reference}");
            let track = track(&frame, Subject::Card("card"), &TrackQuery::against(&id), &policy).unwrap();
            for (point, effect) in track.points.iter().zip(&columns) {
                let found = 10.0 * (point.index.unwrap() / 100.0).ln();
                assert!((found - (effect - base)).abs() < 1e-9, "{} over {id}: {found}", point.driver);
            }
        }
    }
}

/// Benches that each run most of twelve monthly releases; from one on the card is faster. The spreads are those of the
/// project's simulation study.
fn history(random: &mut Random, benches: usize, change: Option<(usize, f64)>, a_year: f64) -> Track {
    let releases = 12;
    let mut normal = |sd: f64| sd * random.normal();
    let own: Vec<f64> = (0..releases).map(|_| normal(0.003 / std::f64::consts::SQRT_2)).collect();
    let of_workload: Vec<f64> = (0..releases * 4).map(|_| normal(0.006)).collect();
    let mut facts = Vec::new();
    for bench in 0..benches {
        for release in 0..releases {
            let with_bench = normal(0.007);
            for workload in 0..4 {
                let changed = change.filter(|(at, _)| release >= *at).map_or(0.0, |(_, by)| by);
                let ln = 4.0
                    + 0.1 * bench as f64
                    + changed
                    + a_year * release as f64 / 12.0
                    + own[release]
                    + of_workload[release * 4 + workload]
                    + with_bench
                    + normal(0.015);
                let mut fact = fact(facts.len(), &format!("contributor {bench:02}"), "card", ln.exp());
                fact.identity.driver = format!("release {release:02}");
                fact.identity.driver_day = Some((release as f64 * 365.25 / 12.0) as i32);
                fact.identity.workload = format!("workload {workload}");
                fact.identity.build = Some("1.0".to_owned());
                facts.push(fact);
            }
        }
    }
    let frame = RunFrame::new(&facts).unwrap();
    track(&frame, Subject::Card("card"), &TrackQuery::default(), &Policy::published()).unwrap()
}

#[test]
fn stretches_start_at_the_release_that_changed_the_card() {
    let mut random = Random(2_012);
    let rounds = 120;
    for (benches, percent, least) in [(4, 3.0_f64, 0.8), (4, 5.0, 0.95), (12, 3.0, 0.95)] {
        let mut right = 0;
        for _ in 0..rounds {
            let track = history(&mut random, benches, Some((6, (percent / 100.0).ln_1p())), 0.0);
            right += usize::from(track.segments.get(1).is_some_and(|s| s.first == "release 06"));
        }
        let share = f64::from(right as u32) / f64::from(rounds);
        println!("{benches} benches, {percent} %: right release {share:.2}");
        assert!(share >= least, "{benches} benches, {percent} %: {share}");
    }
    let mut false_alarms = 0;
    for _ in 0..rounds {
        false_alarms += usize::from(history(&mut random, 4, None, 0.0).segments.len() > 1);
    }
    println!("{false_alarms} of {rounds} histories without a change have one called");
    assert!(false_alarms * 100 <= 8 * rounds as usize, "{false_alarms} of {rounds}");
}

#[test]
fn a_trend_covers_the_change_of_a_year() {
    let mut random = Random(1_968);
    let (rounds, mut covered, mut called) = (200, 0, 0);
    for _ in 0..rounds {
        let trend = history(&mut random, 4, None, 0.02_f64.ln_1p()).trend.unwrap();
        assert_eq!(
            (trend.releases, trend.first.as_str(), trend.last.as_str()),
            (12, "release 00", "release 11")
        );
        covered += usize::from(trend.percent_low <= 2.0 && 2.0 <= trend.percent_high);
        called += usize::from(trend.p < 0.05 && trend.tau > 0.0);
    }
    println!("covered {covered}, called {called} of {rounds}");
    assert!((184..=200).contains(&covered), "{covered} of {rounds}");
    assert!(called > 110, "{called}");
}

#[test]
fn few_releases_or_days_have_no_trend() {
    let mut random = Random(5);
    let track = history(&mut random, 4, None, 0.0);
    assert!(track.trend.is_some() && track.segments.len() == 1);
    assert_eq!(track.segments[0].releases, 12);
    // Two benches are too few to tell.
    let two = history(&mut random, 2, None, 0.0);
    assert!(two.trend.is_none() && two.segments.is_empty(), "{two:?}");
}
