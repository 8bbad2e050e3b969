//! Comparisons whose answers can be worked out by hand.

use super::{By, CompareQuery, Comparison, compare, compare_table};
use crate::fact::RunFact;
use crate::identity::Identity;
use crate::policy::Policy;
use crate::run::{Outcome, SceneKind};
use crate::statistics::Grade;
use crate::table::filters::Filters;
use crate::table::frame::RunFrame;

/// Runs with ids of their own.
#[derive(Default)]
struct Facts(Vec<RunFact>);

impl Facts {
    fn add(&mut self, who: &str, card: &str, workload: &str, height: u32, mean_fps: f64) -> &mut RunFact {
        self.0.push(RunFact {
            run: format!("{:04}", self.0.len()),
            contributor: who.to_owned(),
            identity: Identity {
                card: card.to_owned(),
                chip: None,
                driver: "d1".to_owned(),
                branch: None,
                driver_day: Some(100),
                workload: workload.to_owned(),
                workload_kind: None,
                scene: "harbour".to_owned(),
                scene_kind: SceneKind::ScriptedPath,
                build: None,
                api: "vulkan".to_owned(),
                preset: "low".to_owned(),
                width: height * 16 / 9,
                height,
                render_scale: 1.0,
                variant: String::new(),
                platform: "cpu/DDR4x2".to_owned(),
                bench: format!("bench of {who}"),
            },
            outcome: Outcome::Completed,
            grade: Grade::Full,
            measured_day: 19_000,
            mean_fps: Some(mean_fps),
            low_percentile_fps: Some(0.8 * mean_fps),
            low_tail_mean_fps: None,
            low_time_share_fps: None,
            between_pass_cv: None,
            card_share: None,
        });
        let last = self.0.len() - 1;
        &mut self.0[last]
    }

    /// At another scene instead of another resolution, so that no ladder arises.
    fn at(&mut self, who: &str, card: &str, workload: &str, scene: &str, mean_fps: f64) {
        self.add(who, card, workload, 720, mean_fps).identity.scene = scene.to_owned();
    }

    fn frame(&self) -> RunFrame {
        RunFrame::new(&self.0).unwrap()
    }

    fn compared(&self, query: &CompareQuery) -> Comparison {
        compare(&self.frame(), query, &Policy::published()).unwrap()
    }
}

fn pair() -> CompareQuery {
    CompareQuery::of(vec!["old".to_owned(), "new".to_owned()])
}

fn close(got: Option<f64>, wanted: f64) {
    assert!(got.is_some_and(|got| (got / wanted - 1.0).abs() < 1e-12), "{got:?} instead of {wanted}");
}

/// Ratios 2 and 8 in one workload (geometric mean 4), 1 in a second, 2 in a third: 4 x 1 x 2 = 8, cube root 2.
fn three_workloads() -> Facts {
    let mut facts = Facts::default();
    for who in ["ada", "bo"] {
        for (workload, scene, ratio) in
            [("a", "harbour", 2.0), ("a", "quay", 8.0), ("b", "quay", 1.0), ("c", "quay", 2.0)]
        {
            // One bench is half again as fast, on both cards.
            let bench = if who == "bo" { 1.5 } else { 1.0 };
            facts.at(who, "old", workload, scene, 40.0 * bench);
            facts.at(who, "new", workload, scene, 40.0 * bench * ratio);
        }
    }
    facts
}

#[test]
fn each_workload_weighs_the_same_however_many_configurations_it_has() {
    let found = three_workloads().compared(&pair());
    let card = &found.cards[0];
    assert_eq!((found.base.as_str(), card.card.as_str(), found.base_configurations), ("old", "new", 4));
    close(card.mean_fps.ratio, 2.0);
    close(card.low_fps.ratio, 2.0);
    let ratios: Vec<f64> = card.workloads.iter().map(|w| w.mean_fps_ratio).collect();
    for (ratio, wanted) in ratios.iter().zip([4.0, 1.0, 2.0]) {
        close(Some(*ratio), wanted);
    }
    assert_eq!((card.configurations_matched, card.coverage), (4, Some(1.0)));
    assert_eq!((card.contributors, card.runs, card.workloads[0].runs), (2, 16, 8));
    // ln 4, 0, ln 2 have the standard deviation ln 2; t of two degrees of freedom is 4.302653 (any table of t).
    let half = 4.302_652_7 * 2.0_f64.ln() / 3.0_f64.sqrt();
    let near = |got: Option<f64>, wanted: f64| assert!((got.unwrap() / wanted - 1.0).abs() < 1e-6, "{got:?}");
    near(card.mean_fps.from, 2.0 * (-half).exp());
    near(card.mean_fps.to, 2.0 * half.exp());
    // The other way round everything turns over.
    let turned = three_workloads().compared(&CompareQuery::of(vec!["new".to_owned(), "old".to_owned()]));
    close(turned.cards[0].mean_fps.ratio, 0.5);
}

#[test]
fn what_a_bench_does_to_both_cards_cancels() {
    let found = three_workloads().compared(&pair());
    let row = &found.cards[0].configurations[0];
    assert_eq!((row.mean_fps.by, row.shared_contributors), (By::Shared, 2));
    close(Some(row.mean_fps.ratio), 2.0);
    // Benches half as fast again make either median uncertain by far more than the ratio.
    let width = |from: Option<f64>, to: Option<f64>| (to.unwrap() / from.unwrap()).ln();
    assert!(
        width(row.mean_fps.from, row.mean_fps.to)
            < 0.25 * width(row.other.mean_fps_from, row.other.mean_fps_to)
    );
    // Two pairs of strangers: nothing cancels, and the medians are compared.
    let mut facts = Facts::default();
    for (who, card, fps) in
        [("ada", "old", 40.0), ("bo", "old", 60.0), ("cy", "new", 80.0), ("di", "new", 120.0)]
    {
        facts.add(who, card, "a", 720, fps);
    }
    let found = facts.compared(&pair());
    let row = &found.cards[0].configurations[0];
    assert_eq!((row.mean_fps.by, row.shared_contributors), (By::Pooled, 0));
    close(Some(row.mean_fps.ratio), 100.0 / 50.0);
    // Either side's variance (8 x 0.038^2 + (ln 1.5)^2 / 2) / 9 over two contributors, in quadrature; t of nine degrees
    // of freedom is 2.262157 (any table of t).
    let variance = (8.0 * 0.038_f64.powi(2) + 1.5_f64.ln().powi(2) / 2.0) / 9.0;
    let half = 2.262_157 * (2.0 * variance / 2.0).sqrt();
    let near = |got: Option<f64>, wanted: f64| assert!((got.unwrap() / wanted - 1.0).abs() < 1e-6, "{row:?}");
    near(row.mean_fps.from, 2.0 * (-half).exp());
    near(row.mean_fps.to, 2.0 * half.exp());
}

/// Four strangers, each with all workloads: what their benches do is in all ratios alike, and no spread of these tells it.
#[test]
fn what_benches_do_alike_in_all_workloads_is_in_the_interval() {
    let mut facts = Facts::default();
    for workload in ["a", "b", "c"] {
        for (who, card, fps) in
            [("ada", "old", 40.0), ("bo", "old", 60.0), ("cy", "new", 80.0), ("di", "new", 120.0)]
        {
            facts.add(who, card, workload, 720, fps);
        }
    }
    let overall = facts.compared(&pair()).cards.remove(0).mean_fps;
    // Weights of a half on four contributors, whose standard deviation is known with eight degrees of freedom; t of
    // eight is 2.306004 (any table of t).
    let half = 2.306_004 * 0.038 * (4.0 * 0.5_f64.powi(2)).sqrt();
    let near = |got: Option<f64>, wanted: f64| assert!((got.unwrap() / wanted - 1.0).abs() < 1e-6, "{got:?}");
    near(overall.from, 2.0 * (-half).exp());
    near(overall.to, 2.0 * half.exp());
    // Somebody else on every workload: now their spread has it all.
    let mut facts = Facts::default();
    for (workload, off) in [("a", 1.0), ("b", 1.1), ("c", 0.9)] {
        facts.add(&format!("old of {workload}"), "old", workload, 720, 50.0);
        facts.add(&format!("new of {workload}"), "new", workload, 720, 100.0 * off);
    }
    let overall = facts.compared(&pair()).cards.remove(0).mean_fps;
    let logs = [2.0, 2.2, 1.8].map(f64::ln);
    let half = 4.302_652_7 * (crate::statistics::sum::standard_deviation(&logs).unwrap() / 3.0_f64.sqrt());
    near(overall.to, overall.ratio.unwrap() * half.exp());
}

#[test]
fn another_bench_of_the_same_contributor_is_no_shared_bench() {
    let mut facts = Facts::default();
    for who in ["ada", "bo"] {
        facts.add(who, "old", "a", 720, 50.0);
        facts.add(who, "new", "a", 720, 75.0).identity.bench = format!("other bench of {who}");
    }
    let found = facts.compared(&pair());
    let row = &found.cards[0].configurations[0];
    assert_eq!((row.mean_fps.by, row.shared_contributors), (By::Pooled, 0));
}

#[test]
fn too_few_matches_are_refused_with_the_reason() {
    let mut facts = Facts::default();
    for scene in ["harbour", "quay", "slip"] {
        facts.at("ada", "old", "a", scene, 50.0);
        facts.at("ada", "new", "a", scene, 75.0);
    }
    let found = facts.compared(&pair());
    let overall = &found.cards[0].mean_fps;
    assert_eq!((overall.ratio, overall.from, overall.configurations, overall.workloads), (None, None, 3, 1));
    let why = overall.refused.as_deref().unwrap();
    assert!(why.starts_with("not enough evidence: ") && why.contains("1 workload "), "{why}");
    // Another workload makes two; an interval takes three, and two contributors.
    facts.add("ada", "old", "b", 720, 50.0);
    facts.add("ada", "new", "b", 720, 75.0);
    let overall = facts.compared(&pair()).cards.remove(0).mean_fps;
    close(overall.ratio, 1.5);
    assert_eq!((overall.from, overall.refused), (None, None));
    facts.add("ada", "old", "c", 720, 50.0);
    facts.add("ada", "new", "c", 720, 80.0);
    let overall = facts.compared(&pair()).cards.remove(0).mean_fps;
    assert!(
        overall.ratio.is_some() && overall.from.is_none(),
        "one contributor has no interval: {overall:?}"
    );
}

#[test]
fn cards_without_a_common_configuration_are_not_compared() {
    let mut facts = Facts::default();
    facts.add("ada", "old", "a", 720, 50.0);
    facts.add("ada", "new", "a", 900, 50.0);
    facts.add("ada", "new", "a", 720, 50.0).identity.platform = "other/DDR3x2".to_owned();
    let card = facts.compared(&pair()).cards.remove(0);
    assert_eq!((card.configurations_matched, card.coverage, card.mean_fps.ratio), (0, Some(0.0), None));
    // Platform classes may be pooled on request.
    let card = facts.compared(&CompareQuery { by_platform: false, ..pair() }).cards.remove(0);
    assert_eq!((card.configurations_matched, &card.configurations[0].platform), (1, &None));
    let nobody = CompareQuery::of(vec!["nobody-s".to_owned(), "new".to_owned()]);
    let found = facts.compared(&nobody);
    assert_eq!((found.base_configurations, found.cards[0].coverage), (0, None));
}

#[test]
fn platform_limited_configurations_are_left_out_and_counted() {
    let mut facts = Facts::default();
    for workload in ["a", "b", "c"] {
        for height in [720, 1080] {
            // Fewer pixels make the old card faster as a card should be; the new one runs into the processor.
            facts.add("ada", "old", workload, height, if height == 720 { 100.0 } else { 50.0 });
            facts.add("ada", "new", workload, height, if height == 720 { 101.0 } else { 100.0 });
        }
    }
    facts.add("ada", "new", "a", 1440, 40.0);
    facts.add("ada", "new", "b", 1440, 40.0);
    facts.add("ada", "new", "c", 1440, 40.0);
    let card = facts.compared(&pair()).cards.remove(0);
    // 1080 is the upper rung of a step that does not fall: the platform's, and with it 720.
    assert_eq!((card.configurations_matched, card.platform_limited), (0, 6));
    assert!(card.mean_fps.refused.is_some());
    let all = CompareQuery { include_platform_limited: true, ..pair() };
    let card = facts.compared(&all).cards.remove(0);
    assert_eq!((card.configurations_matched, card.platform_limited), (6, 6));
    close(card.mean_fps.ratio, (2.0_f64 * 1.01).sqrt());
    assert!(card.configurations.iter().all(|row| row.platform_limited));
    // A filter on the resolution does not hide the ladder.
    let card = facts.compared(&CompareQuery { height: Some(720), ..pair() }).cards.remove(0);
    assert_eq!((card.configurations_matched, card.platform_limited), (0, 3));
}

#[test]
fn filters_and_driver_days_narrow_the_evidence() {
    let mut facts = three_workloads();
    facts.add("ada", "new", "a", 720, 400.0).identity.driver_day = Some(200);
    facts.add("bo", "new", "a", 720, 600.0).identity.driver_day = Some(200);
    let ratio = |query: &CompareQuery| facts.compared(query).cards[0].configurations[0].mean_fps.ratio;
    close(Some(ratio(&CompareQuery { driver_to: Some(150), ..pair() })), 2.0);
    close(Some(ratio(&pair())), 6.0);
    let later = CompareQuery { driver_from: Some(150), ..pair() };
    assert_eq!(facts.compared(&later).base_configurations, 0);
    let only = Filters { workload: vec!["b".to_owned()], ..Filters::default() };
    let found = facts.compared(&CompareQuery { filters: only, ..pair() });
    assert_eq!((found.base_configurations, found.cards[0].workloads.len()), (1, 1));
}

#[test]
fn failures_and_quick_runs_do_not_count() {
    let mut facts = Facts::default();
    facts.add("ada", "old", "a", 720, 50.0);
    facts.add("ada", "new", "a", 720, 75.0).outcome = Outcome::Crashed;
    facts.add("ada", "new", "a", 720, 75.0).grade = Grade::Quick;
    assert_eq!(facts.compared(&pair()).cards[0].configurations_matched, 0);
}

#[test]
fn a_wrong_number_of_cards_is_refused() {
    let frame = Facts::default().frame();
    let refused = |cards: &[&str]| {
        let query = CompareQuery::of(cards.iter().map(|c| (*c).to_owned()).collect());
        compare(&frame, &query, &Policy::published()).unwrap_err().to_string()
    };
    assert!(refused(&["one"]).contains("2 to 8 different cards, and 1 came"));
    assert!(refused(&["1", "2", "3", "4", "5", "6", "7", "8", "9"]).contains("and 9 came"));
    assert!(refused(&["one", "two", "one"]).contains("`one` is named twice"));
}

#[test]
fn the_table_has_a_row_a_pair_and_configuration() {
    let mut facts = three_workloads();
    facts.add("ada", "third", "a", 720, 20.0).low_percentile_fps = None;
    let query = CompareQuery::of(["old", "new", "third"].map(str::to_owned).to_vec());
    let rows = compare_table(&facts.compared(&query)).unwrap().json_rows();
    assert_eq!(rows.len(), 5);
    assert_eq!((&rows[0]["card"], &rows[0]["mean_fps_ratio_by"]), (&"new".into(), &"shared".into()));
    let third = &rows[4];
    assert_eq!((&third["card"], &third["mean_fps_ratio"]), (&"third".into(), &0.5.into()));
    assert!(third["mean_fps_ratio_from"].is_null() && third["low_fps_ratio"].is_null(), "{third}");
}
