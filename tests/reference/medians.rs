//! Grouped medians of open data sets (Ein-Dor and Feldmesser 1987; Beall 1942) through the table of
//! medians, and medians of contributor medians against a computation that shares no code with it.

use std::collections::BTreeMap;

use serde_json::Value;
use wearmark_core::fact::RunFact;
use wearmark_core::policy::Policy;
use wearmark_core::run::Outcome;
use wearmark_core::statistics::Grade;
use wearmark_core::table::frame::RunFrame;
use wearmark_core::table::medians::{MediansQuery, MediansSort, medians};

use crate::facts::{Random, fact};

/// Key and value columns of a data set, and what was published of it.
fn data_set(id: &str) -> (Vec<(String, f64)>, Value) {
    let folder = format!("{}/reference/cases", env!("CARGO_MANIFEST_DIR"));
    let topic: Value =
        serde_json::from_slice(&std::fs::read(format!("{folder}/17-open-data-sets.json")).unwrap()).unwrap();
    let item = topic["items"].as_array().unwrap().iter().find(|item| item["id"] == id).unwrap().clone();
    let text =
        std::fs::read_to_string(format!("{folder}/{}", item["inputs"]["file"].as_str().unwrap())).unwrap();
    let mut lines = text.lines().map(|line| line.split(',').collect::<Vec<_>>());
    let header = lines.next().unwrap();
    let column = |name: &str| header.iter().position(|h| *h == item["inputs"][name]).unwrap();
    let (key, value) = (column("key"), column("value"));
    (lines.map(|row| (row[key].to_owned(), row[value].parse().unwrap())).collect(), item)
}

/// The medians by card of values that each come from a contributor of their own.
fn by_card(rows: &[(String, f64)], shift: f64) -> BTreeMap<String, (u64, f64)> {
    let facts: Vec<RunFact> = rows
        .iter()
        .enumerate()
        .map(|(at, (key, value))| fact(at, &format!("contributor {at}"), key, value + shift))
        .collect();
    let table = medians(&RunFrame::new(&facts).unwrap(), &MediansQuery::default(), &Policy::published());
    table
        .unwrap()
        .json_rows()
        .iter()
        .map(|row| {
            let median = row["mean_fps"].as_f64().unwrap() - shift;
            (row["card"].as_str().unwrap().to_owned(), (row["contributors"].as_u64().unwrap(), median))
        })
        .collect()
}

#[test]
fn grouped_medians_of_open_data_sets_are_those_published() {
    // A rate of zero is no rate, so the counts of Beall are shifted by one; a median shifts along.
    for (id, shift) in [("machines-1987", 0.0), ("insect-sprays", 1.0)] {
        let (rows, item) = data_set(id);
        assert_eq!(rows.len() as u64, item["expected"]["rows"].as_u64().unwrap(), "{id}");
        let found = by_card(&rows, shift);
        let wanted = item["recomputed"]["median"].as_object().unwrap();
        assert_eq!(found.len(), wanted.len(), "{id}");
        for (key, (count, median)) in found {
            assert_eq!(Some(count), item["recomputed"]["n"][&key].as_u64(), "{id} {key}");
            assert_eq!(Some(median), wanted[&key].as_f64(), "{id} {key}");
        }
    }
}

#[test]
fn the_median_over_everything_is_the_published_one() {
    for (id, shift) in [("machines-1987", 0.0), ("insect-sprays", 1.0)] {
        let (rows, item) = data_set(id);
        let one: Vec<(String, f64)> = rows.into_iter().map(|(_, value)| ("all".to_owned(), value)).collect();
        let median = by_card(&one, shift)["all"].1;
        assert_eq!(Some(median), item["recomputed"]["overall_median"].as_f64(), "{id}");
    }
}

/// Sorted middle, or the mean of the two middle values (the textbook definition).
fn middle(mut values: Vec<f64>) -> f64 {
    values.sort_by(f64::total_cmp);
    let n = values.len();
    if n % 2 == 1 { values[n / 2] } else { (values[n / 2 - 1] + values[n / 2]) / 2.0 }
}

#[test]
fn medians_of_contributor_medians_agree_with_a_computation_by_hand() {
    let mut random = Random(1986);
    let mut facts: Vec<RunFact> = Vec::new();
    for run in 0..3000 {
        let who = format!("contributor {}", random.next() % 17);
        let card = format!("card {}", random.next() % 5);
        let mut fact = fact(run, &who, &card, 60.0 * (0.1 * random.normal()).exp());
        fact.identity.driver = format!("release {}", random.next() % 3);
        fact.low_percentile_fps =
            (!random.next().is_multiple_of(4)).then(|| 45.0 * (0.1 * random.normal()).exp());
        fact.grade = [Grade::Full, Grade::Short, Grade::Quick, Grade::Summary][random.next() as usize % 4];
        if random.next().is_multiple_of(10) {
            fact.outcome = Outcome::Crashed;
        }
        facts.push(fact);
    }
    type Key = (String, String);
    type ByContributor = BTreeMap<String, (Vec<f64>, Vec<f64>)>;
    let mut groups: BTreeMap<Key, ByContributor> = BTreeMap::new();
    let counts =
        |f: &&RunFact| f.outcome == Outcome::Completed && matches!(f.grade, Grade::Full | Grade::Short);
    for f in facts.iter().filter(counts) {
        let key = (f.identity.card.clone(), f.identity.driver.clone());
        let own = groups.entry(key).or_default().entry(f.contributor.clone()).or_default();
        own.0.extend(f.mean_fps);
        own.1.extend(f.low_percentile_fps);
    }
    // The frame grows in pieces, with rows taken out again on the way.
    let mut frame = RunFrame::default();
    for piece in facts.chunks(700) {
        let strangers: Vec<RunFact> =
            (0..5).map(|at| fact(900_000 + at, "stranger", "card 1", 1000.0)).collect();
        frame = frame.updated(piece, &[]).unwrap().updated(&strangers, &[]).unwrap();
        let gone: Vec<String> = strangers.into_iter().map(|f| f.run).collect();
        frame = frame.updated(&[], &gone).unwrap();
    }
    let query = MediansQuery { by_driver: true, ..MediansQuery::default() };
    let rows = medians(&frame, &query, &Policy::published()).unwrap().json_rows();
    assert_eq!(rows.len(), groups.len());
    for (row, ((card, driver), contributors)) in rows.iter().zip(&groups) {
        assert_eq!(
            (row["card"].as_str(), row["driver"].as_str()),
            (Some(card.as_str()), Some(driver.as_str()))
        );
        let means: Vec<f64> = contributors.values().map(|(means, _)| middle(means.clone())).collect();
        let lows: Vec<f64> =
            contributors.values().filter(|(_, l)| !l.is_empty()).map(|(_, l)| middle(l.clone())).collect();
        let near = |name: &str, wanted: f64| {
            let got = row[name].as_f64().unwrap();
            assert!((got - wanted).abs() <= 1e-12 * wanted, "{card} {driver} {name}: {got} for {wanted}");
        };
        assert_eq!(row["contributors"].as_u64().unwrap(), means.len() as u64);
        assert_eq!(row["low_contributors"].as_u64().unwrap(), lows.len() as u64);
        let runs: usize = contributors.values().map(|(means, _)| means.len()).sum();
        assert_eq!(row["runs"].as_u64().unwrap(), runs as u64);
        near("mean_fps", middle(means));
        near("low_fps", middle(lows));
    }
}

#[test]
fn pages_keep_their_order_and_a_figure_of_one_contributor_is_not_ranked() {
    let facts = [
        fact(1, "ada", "slow", 40.0),
        fact(2, "bo", "slow", 41.0),
        fact(3, "ada", "quick", 90.0),
        fact(4, "bo", "quick", 91.0),
        fact(5, "ada", "alone", 500.0),
    ];
    let frame = RunFrame::new(&facts).unwrap();
    let query = MediansQuery { sort: MediansSort::MeanFps, ..MediansQuery::default() };
    let table = medians(&frame, &query, &Policy::published()).unwrap();
    let cards: Vec<String> =
        (0..3).map(|at| table.slice(at, 1).json_rows()[0]["card"].as_str().unwrap().to_owned()).collect();
    assert_eq!(cards, ["quick", "slow", "alone"]);
    assert!(table.slice(3, 10).is_empty());
    assert!(table.slice(usize::MAX, 1).is_empty());
}

/// Runs of several contributors, drivers and builds, some without a build or a 1% low.
fn invented_runs(count: usize) -> Vec<RunFact> {
    let mut random = Random(17);
    (0..count)
        .map(|run| {
            let who = random.next() % 12;
            let mut fact =
                fact(run, &format!("contributor {who}"), &format!("card {}", random.next() % 4), 1.0);
            fact.mean_fps = Some(60.0 * (0.1 * random.normal()).exp());
            fact.low_percentile_fps =
                (!random.next().is_multiple_of(5)).then(|| 45.0 * (0.1 * random.normal()).exp());
            fact.grade = [Grade::Full, Grade::Short, Grade::Quick][random.next() as usize % 3];
            fact.identity.bench = format!("bench {who}-{}", random.next() % 2);
            fact.identity.driver = format!("release, \"{}\"", random.next() % 3);
            fact.identity.build = (!random.next().is_multiple_of(2)).then(|| "1.0".to_owned());
            if random.next().is_multiple_of(12) {
                fact.outcome = Outcome::DidNotStart;
            }
            fact
        })
        .collect()
}

#[test]
fn pandas_and_duckdb_recompute_the_same_medians_from_the_exported_runs() {
    let python = std::env::var("WEARMARK_PYTHON")
        .expect("WEARMARK_PYTHON names a Python with pandas and duckdb: run tests/run, which makes one");
    let script = format!("{}/python/medians_check.py", env!("CARGO_MANIFEST_DIR"));
    let folder = tempfile::tempdir().unwrap();
    let path = |name: &str| folder.path().join(name);
    let frame = RunFrame::new(&invented_runs(2000)).unwrap();
    let query = MediansQuery { by_driver: true, by_build: true, ..MediansQuery::default() };
    let table = medians(&frame, &query, &Policy::published()).unwrap();
    let export = frame.export().unwrap();
    std::fs::write(path("runs.parquet"), export.parquet().unwrap()).unwrap();
    std::fs::write(path("runs.csv"), export.csv().unwrap()).unwrap();
    std::fs::write(path("medians.json"), serde_json::to_vec(&table).unwrap()).unwrap();
    std::fs::write(path("medians.csv"), table.csv().unwrap()).unwrap();
    let check = |runs: &str, medians: &str| {
        let ended = std::process::Command::new(&python)
            .args([script.as_str(), path(runs).to_str().unwrap(), path(medians).to_str().unwrap()])
            .output()
            .unwrap();
        let said =
            format!("{}{}", String::from_utf8_lossy(&ended.stdout), String::from_utf8_lossy(&ended.stderr));
        (ended.status.success(), said)
    };
    for (runs, medians) in [("runs.parquet", "medians.json"), ("runs.csv", "medians.csv")] {
        let (good, said) = check(runs, medians);
        assert!(good && said.contains(" 0 failed"), "{runs} {medians}: {said}");
    }
    // A table that is wrong in one figure by one part in a billion does not pass.
    let mut rows = table.json_rows();
    let wrong = rows[0]["mean_fps"].as_f64().unwrap() * (1.0 + 1e-9);
    rows[0]["mean_fps"] = wrong.into();
    std::fs::write(path("wrong.json"), serde_json::to_vec(&rows).unwrap()).unwrap();
    let (good, said) = check("runs.parquet", "wrong.json");
    assert!(!good && said.contains(" 2 failed"), "both engines see it: {said}");
}
