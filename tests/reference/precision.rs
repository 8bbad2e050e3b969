//! The table of precision on published studies: ASTM E691 (glucose in serum) and ISO 5725-2 (sulfur in coal), each
//! material as a workload of its own, each result as the mean rate whose logarithm it is.

use serde_json::Value;
use wearmark_core::fact::RunFact;
use wearmark_core::policy::Policy;
use wearmark_core::table::filters::Filters;
use wearmark_core::table::frame::RunFrame;
use wearmark_core::table::precision::{PrecisionQuery, Quantity, precision};

use crate::cases::{items, numbers};
use crate::facts::{Random, fact};

/// Results are divided by this, so that their exponentials are numbers of a sensible size.
const SCALE: f64 = 50.0;

fn rows(facts: &[RunFact], query: &PrecisionQuery) -> Vec<Value> {
    precision(&RunFrame::new(facts).unwrap(), query, &Policy::published()).unwrap().json_rows()
}

fn mean_fps() -> PrecisionQuery {
    PrecisionQuery { quantity: vec![Quantity::MeanFps], ..PrecisionQuery::default() }
}

/// One run a result, one contributor a laboratory.
fn study(workload: &str, cells: &Value, first: usize) -> Vec<RunFact> {
    let mut facts = Vec::new();
    for (laboratory, cell) in cells.as_array().unwrap().iter().enumerate() {
        for value in numbers(cell) {
            let mut fact =
                fact(first + facts.len(), &format!("laboratory {laboratory}"), "card", (value / SCALE).exp());
            fact.identity.workload = workload.to_owned();
            facts.push(fact);
        }
    }
    facts
}

#[test]
fn published_studies_keep_their_precision_through_the_table() {
    let cases = items("05-interlaboratory", "interlab");
    let mut facts = Vec::new();
    for case in &cases {
        facts.extend(study(case.id(), case.input("cells"), facts.len()));
    }
    let table = rows(&facts, &mean_fps());
    assert_eq!(table.len(), cases.len());
    for case in cases {
        let row = table.iter().find(|row| row["workload"] == case.id()).unwrap();
        let back = |name: &str| row[name].as_f64().unwrap() * SCALE / 100.0;
        assert!(case.meets("sr", &[back("repeatability_sd_pct")]));
        assert!(case.meets("sR", &[back("reproducibility_sd_pct")]));
        case.meets("between_lab_sd", &[back("between_sd_pct")]);
        case.meets("r_limit", &[back("repeatability_limit_pct")]);
        case.meets("R_limit", &[back("reproducibility_limit_pct")]);
        assert_eq!((&row["contributors"], &row["repeatability_from"]), (&8.into(), &"runs".into()));
        assert_eq!((&row["cells"], &row["shared_cells"], &row["note"]), (&1.into(), &1.into(), &Value::Null));
        assert_eq!(
            (&row["h_tested"], &row["k_tested"], &row["grubbs_tested"]),
            (&8.into(), &8.into(), &1.into())
        );
    }
}

#[test]
fn the_outlying_laboratory_of_glucose_material_c_is_flagged() {
    for case in items("05-interlaboratory", "interlab") {
        let row = &rows(&study(case.id(), case.input("cells"), 0), &mean_fps())[0];
        let flagged = case.flagged("flagged_k").map_or(0, |flagged| flagged.len());
        assert_eq!(row["k_flags"].as_u64(), Some(flagged as u64), "{row}");
        assert_eq!(row["cochran_flags"].as_u64(), Some(flagged as u64), "{row}");
        assert_eq!(
            row["h_flags"].as_u64().unwrap(),
            u64::from(case.id() == "e691-glucose-c-as-reported"),
            "{row}"
        );
    }
}

/// Contributors that differ by 4 % over many cells and repeat within 1 %.
fn invented(seed: u64) -> Vec<RunFact> {
    let mut random = Random(seed);
    let mut facts = Vec::new();
    for cell in 0..300_u64 {
        let level = 3.0 + random.unit();
        for own in 0..=(cell % 4) {
            let who = (cell * 5 + own * 13) % 23;
            let bench = 0.04 * random.normal();
            for _ in 0..=(cell % 3) {
                let fps = (level + bench + 0.01 * random.normal()).exp();
                let mut fact =
                    fact(facts.len(), &format!("contributor {who}"), &format!("card {}", cell % 9), fps);
                fact.identity.driver = format!("release {}", cell / 9);
                fact.low_percentile_fps = (cell % 5 > 0).then_some(0.7 * fps);
                fact.between_pass_cv = Some(0.008);
                fact.identity.platform = format!("platform {}", who % 3);
                facts.push(fact);
            }
        }
    }
    facts
}

#[test]
fn many_sparse_cells_together_give_the_spreads_they_were_made_with() {
    let table = rows(&invented(1), &PrecisionQuery::default());
    let quantities: Vec<&str> = table.iter().map(|row| row["quantity"].as_str().unwrap()).collect();
    assert_eq!(quantities, ["mean-fps", "low-percentile"], "no run has another low");
    for row in &table {
        let near = |name: &str, wanted: f64| {
            let got = row[name].as_f64().unwrap();
            assert!((got / wanted - 1.0).abs() < 0.1, "{name}: {got} {row}");
        };
        near("repeatability_sd_pct", 1.0);
        near("between_sd_pct", 4.0);
        near("reproducibility_sd_pct", 17.0_f64.sqrt());
        near("robust_sd_pct", 4.05);
    }
    assert_eq!(table[0]["pass_cv_pct"].as_f64().map(|cv| (cv * 1e9).round() / 1e9), Some(0.8));
    assert_eq!(table[1]["pass_cv_pct"], Value::Null);
}

#[test]
fn nothing_depends_on_the_order_in_which_the_runs_came() {
    let facts = invented(2);
    let mut turned: Vec<RunFact> = facts.iter().rev().cloned().collect();
    turned.rotate_left(100);
    let query = PrecisionQuery { by_card: true, by_platform: true, ..PrecisionQuery::default() };
    assert_eq!(rows(&facts, &query), rows(&turned, &query));
}

#[test]
fn few_repeats_leave_the_spread_of_passes_to_speak_and_none_for_the_lows() {
    let facts: Vec<RunFact> = (0..7)
        .map(|who| {
            let mut fact = fact(who, &format!("contributor {who}"), "card", 60.0 + who as f64);
            fact.between_pass_cv = Some(0.012);
            fact.low_tail_mean_fps = Some(40.0 + who as f64);
            fact
        })
        .collect();
    let table = rows(&facts, &PrecisionQuery::default());
    assert_eq!(
        (&table[0]["repeatability_from"], &table[0]["repeatability_df"]),
        (&"passes".into(), &0.into())
    );
    assert!((table[0]["repeatability_sd_pct"].as_f64().unwrap() - 1.2).abs() < 1e-9);
    assert!(table[0]["note"].as_str().unwrap().contains("single passes"), "{}", table[0]);
    assert_eq!(
        (&table[1]["quantity"], &table[1]["repeatability_sd_pct"]),
        (&"low-tail-mean".into(), &Value::Null)
    );
    assert!(table[1]["note"].as_str().unwrap().contains("not enough evidence for repeatability"));
    assert!(table[1]["reproducibility_sd_pct"].as_f64().unwrap() > 1.0);
}

#[test]
fn one_contributor_has_no_reproducibility() {
    let facts: Vec<RunFact> = (0..9).map(|run| fact(run, "ada", "card", 60.0 + run as f64 / 10.0)).collect();
    let row = &rows(&facts, &mean_fps())[0];
    assert_eq!(
        (&row["contributors"], &row["shared_cells"], &row["repeatability_df"]),
        (&1.into(), &0.into(), &8.into())
    );
    assert_eq!(
        (&row["reproducibility_sd_pct"], &row["reproducibility_limit_pct"]),
        (&Value::Null, &Value::Null)
    );
    assert!(row["note"].as_str().unwrap().starts_with("no cell has two contributors: not enough evidence"));
}

#[test]
fn only_one_bench_of_a_contributor_speaks_for_a_cell() {
    let mut facts: Vec<RunFact> =
        (0..6).map(|run| fact(run, ["ada", "bo"][run % 2], "card", 60.0 + run as f64)).collect();
    let before = rows(&facts, &mean_fps());
    let mut other = fact(90, "ada", "card", 600.0);
    other.identity.bench = "another bench of ada".to_owned();
    facts.push(other);
    assert_eq!(rows(&facts, &mean_fps()), before);
}

#[test]
fn filters_and_groups_split_what_they_name() {
    let facts = invented(3);
    let count = |query: PrecisionQuery| rows(&facts, &query).len();
    assert_eq!(count(PrecisionQuery { by_card: true, ..mean_fps() }), 9);
    assert_eq!(count(PrecisionQuery { by_platform: true, ..mean_fps() }), 3);
    assert_eq!(
        count(PrecisionQuery {
            filters: Filters { card: vec!["card 3".to_owned()], ..Filters::default() },
            ..mean_fps()
        }),
        1
    );
    assert_eq!(
        count(PrecisionQuery {
            filters: Filters { workload: vec!["nobody's".to_owned()], ..Filters::default() },
            ..mean_fps()
        }),
        0
    );
    assert_eq!(count(PrecisionQuery { min_contributors: 24, ..mean_fps() }), 0);
    let whole = &rows(&facts, &mean_fps())[0];
    let classes = rows(&facts, &PrecisionQuery { by_platform: true, ..mean_fps() });
    let runs: u64 = classes.iter().map(|row| row["runs"].as_u64().unwrap()).sum();
    assert_eq!(whole["runs"].as_u64(), Some(runs));
}
