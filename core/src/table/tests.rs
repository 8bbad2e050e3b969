//! Small tables whose answers can be worked out by hand.

use crate::fact::RunFact;
use crate::identity::Identity;
use crate::policy::Policy;
use crate::run::{Outcome, SceneKind};
use crate::statistics::Grade;

use super::filters::Filters;
use super::frame::RunFrame;
use super::medians::{MediansQuery, medians};
use super::track::{Subject, TrackQuery, track, track_table};
use super::views::View;

fn fact(run: &str, contributor: &str, driver: &str, mean_fps: f64) -> RunFact {
    RunFact {
        run: run.to_owned(),
        contributor: contributor.to_owned(),
        identity: Identity {
            card: "card".to_owned(),
            chip: Some("chip".to_owned()),
            driver: driver.to_owned(),
            branch: None,
            driver_day: driver.strip_prefix('d').and_then(|d| d.parse().ok()),
            workload: "game".to_owned(),
            workload_kind: Some("single-player".to_owned()),
            scene: "harbour".to_owned(),
            scene_kind: SceneKind::ScriptedPath,
            build: None,
            api: "vulkan".to_owned(),
            preset: "low".to_owned(),
            width: 1280,
            height: 720,
            render_scale: 1.0,
            variant: String::new(),
            platform: "cpu/DDR4x2".to_owned(),
            bench: format!("bench of {contributor}"),
        },
        outcome: Outcome::Completed,
        grade: Grade::Full,
        measured_day: 19_000,
        mean_fps: Some(mean_fps),
        low_percentile_fps: Some(mean_fps * 0.75),
        low_tail_mean_fps: None,
        low_time_share_fps: None,
        between_pass_cv: Some(0.01),
        card_share: None,
    }
}

fn three_contributors() -> RunFrame {
    // One busy contributor with three runs (median 50), two with one run each.
    RunFrame::new(&[
        fact("1", "ada", "d1", 40.0),
        fact("2", "ada", "d1", 50.0),
        fact("3", "ada", "d1", 90.0),
        fact("4", "bo", "d1", 60.0),
        fact("5", "cy", "d1", 70.0),
    ])
    .unwrap()
}

#[test]
fn one_contributor_counts_once_however_many_runs_they_sent() {
    let table = medians(&three_contributors(), &MediansQuery::default(), &Policy::published()).unwrap();
    let rows = table.json_rows();
    assert_eq!(rows.len(), 1);
    let row = &rows[0];
    assert_eq!(row["mean_fps"], 60.0);
    assert_eq!(row["low_fps"], 45.0);
    assert_eq!((&row["runs"], &row["contributors"], &row["benches"]), (&5.into(), &3.into(), &3.into()));
    assert_eq!(row["playable"], true);
    assert!(row["mean_fps_from"].as_f64().unwrap() < 60.0 && row["mean_fps_to"].as_f64().unwrap() > 60.0);
    assert!(row["note"].as_str().unwrap().starts_with("indicative"));
}

/// The median of contributors' medians of the rates without each bench's effect; runs that the model does not know are
/// left out of it, and of nothing else.
#[test]
fn the_adjusted_rate_is_that_of_benches_without_an_effect_of_their_own() {
    let rows = |frame: &RunFrame| {
        medians(frame, &MediansQuery::default(), &Policy::published()).unwrap().json_rows()
    };
    let plain = RunFrame::new(&[
        fact("1", "ada", "d1", 66.0),
        fact("2", "bo", "d1", 60.0),
        fact("3", "cy", "d1", 54.0),
        fact("4", "dora", "d1", 90.0),
    ])
    .unwrap();
    assert!(rows(&plain)[0]["adjusted_fps"].is_null());
    let view = |bench: f64| View { card_share: 1.0, share_logit_sd: 0.1, bench: bench as f32, alone: None };
    let views = [("1", 1.1_f64.ln()), ("2", 0.0), ("3", 0.9_f64.ln())];
    let views = views.into_iter().map(|(run, bench)| (run.to_owned(), view(bench))).collect();
    let known = plain.with_views(views).unwrap();
    let row = &rows(&known)[0];
    assert!((row["adjusted_fps"].as_f64().unwrap() - 60.0).abs() < 1e-5, "{row}");
    assert_eq!(row["mean_fps"], 63.0);
}

/// Six contributors with four runs in each of three configurations, and as many accounts that have one run each, in the
/// first: at most those with eight runs elsewhere, among others' runs, count there.
#[test]
fn accounts_that_measured_nothing_else_do_not_move_a_median_that_others_know() {
    let mut facts = Vec::new();
    for (at, name) in ["ada", "bo", "cy", "dora", "eli", "fay"].into_iter().enumerate() {
        for (cell, game) in ["game", "second", "third"].into_iter().enumerate() {
            for run in 0..4 {
                let mut fact = fact(&format!("{at}-{cell}-{run}"), name, "d1", 60.0 + at as f64);
                fact.identity.workload = game.to_owned();
                facts.push(fact);
            }
        }
    }
    let known = facts.clone();
    for at in 0..6 {
        facts.push(fact(&format!("new-{at}"), &format!("new {at}"), "d1", 90.0));
    }
    let row = |facts: &[RunFact], game: &str| {
        let frame = RunFrame::new(facts).unwrap();
        let rows = medians(&frame, &MediansQuery::default(), &Policy::published()).unwrap().json_rows();
        rows.into_iter().find(|row| row["workload"] == game).unwrap()
    };
    let before = row(&known, "game");
    assert_eq!((before["mean_fps"].as_f64(), &before["contributors"]), (Some(62.5), &6.into()));
    assert_eq!((&before["unanchored"], &before["note"]), (&0.into(), &serde_json::Value::Null));
    let after = row(&facts, "game");
    for column in ["mean_fps", "mean_fps_from", "mean_fps_to", "low_fps", "contributors", "evidence"] {
        assert_eq!(after[column], before[column], "{column}");
    }
    assert_eq!((&after["unanchored"], &after["runs"]), (&6.into(), &30.into()));
    assert_eq!(after["note"], "left out: 6 contributors who have measured little else");
    // Four who are known are too few to leave the others out.
    let few: Vec<RunFact> =
        facts.iter().filter(|f| !["eli", "fay"].contains(&f.contributor.as_str())).cloned().collect();
    let all = row(&few, "game");
    assert_eq!((all["mean_fps"].as_f64(), &all["contributors"]), (Some(90.0), &10.into()));
    assert_eq!(all["note"], "6 of 10 contributors have measured little else");
    // Runs that nobody else can check anchor nobody.
    let alone: Vec<RunFact> =
        few.iter().filter(|f| f.identity.workload == "game" || f.contributor == "ada").cloned().collect();
    assert_eq!(row(&alone, "game")["unanchored"], 10);
}

#[test]
fn one_contributor_alone_gets_no_interval() {
    let frame = RunFrame::new(&[fact("1", "ada", "d1", 40.0)]).unwrap();
    let rows = medians(&frame, &MediansQuery::default(), &Policy::published()).unwrap().json_rows();
    assert!(rows[0]["mean_fps_from"].is_null());
    assert!(rows[0]["note"].as_str().unwrap().contains("not enough evidence"));
}

#[test]
fn a_floor_of_thirty_is_met_at_exactly_thirty() {
    let frame = RunFrame::new(&[fact("1", "ada", "d1", 40.0)]).unwrap();
    let rows = medians(&frame, &MediansQuery::default(), &Policy::published()).unwrap().json_rows();
    assert_eq!((&rows[0]["low_fps"], &rows[0]["playable"]), (&30.0.into(), &true.into()));
}

#[test]
fn filters_and_groups_split_what_they_name() {
    let frame = RunFrame::new(&[fact("1", "ada", "d1", 40.0), fact("2", "ada", "d2", 44.0)]).unwrap();
    let query = MediansQuery { by_driver: true, ..MediansQuery::default() };
    assert_eq!(medians(&frame, &query, &Policy::published()).unwrap().len(), 2);
    let query =
        MediansQuery { filters: Filters { driver: vec!["d2".to_owned()], ..Filters::default() }, ..query };
    let rows = medians(&frame, &query, &Policy::published()).unwrap().json_rows();
    assert_eq!((rows.len(), &rows[0]["mean_fps"]), (1, &44.0.into()));
    let query = MediansQuery {
        filters: Filters { card: vec!["nobody's".to_owned()], ..Filters::default() },
        ..MediansQuery::default()
    };
    assert!(medians(&frame, &query, &Policy::published()).unwrap().is_empty());
}

#[test]
fn a_frame_updated_run_by_run_equals_one_built_at_once() {
    let all = three_contributors();
    let mut grown = RunFrame::default();
    for (run, who, fps) in
        [("9", "eve", 1.0), ("1", "ada", 40.0), ("2", "ada", 50.0), ("3", "ada", 90.0), ("4", "bo", 60.0)]
    {
        grown = grown.updated(&[fact(run, who, "d1", fps)], &[]).unwrap();
    }
    grown = grown.updated(&[fact("5", "cy", "d1", 70.0)], &["9".to_owned()]).unwrap();
    assert_eq!(grown.export().unwrap().json_rows(), all.export().unwrap().json_rows());
}

#[test]
fn rates_of_named_runs_can_be_asked_for_as_if_they_were_others() {
    let frame = three_contributors();
    // The one in the middle of 50, 60 and 70.
    let halved = frame.with_rates_times(&[("4".to_owned(), 0.5), ("nobody".to_owned(), 9.0)].into()).unwrap();
    let row = |frame: &RunFrame| {
        medians(frame, &MediansQuery::default(), &Policy::published()).unwrap().json_rows()[0].clone()
    };
    assert_eq!((&row(&frame)["mean_fps"], &row(&halved)["mean_fps"]), (&60.0.into(), &50.0.into()));
    assert_eq!((&row(&frame)["low_fps"], &row(&halved)["low_fps"]), (&45.0.into(), &37.5.into()));
    assert_eq!(row(&halved)["contributors"], 3);
}

#[test]
fn csv_ends_its_lines_as_rfc_4180_asks() {
    let table = medians(&three_contributors(), &MediansQuery::default(), &Policy::published()).unwrap();
    let text = String::from_utf8(table.csv().unwrap()).unwrap();
    assert_eq!(text.matches("\r\n").count(), 2);
    assert!(text.starts_with("card,chip,workload,"));
    assert!(table.parquet().unwrap().starts_with(b"PAR1"));
}

#[test]
fn the_track_takes_matched_benches_only() {
    // Two benches ran both releases and gained 10 %; a fast bench only ran the new one.
    let frame = RunFrame::new(&[
        fact("1", "ada", "d1", 50.0),
        fact("2", "ada", "d2", 55.0),
        fact("3", "bo", "d1", 40.0),
        fact("4", "bo", "d2", 44.0),
        fact("5", "cy", "d2", 400.0),
        RunFact { outcome: Outcome::DidNotStart, mean_fps: None, ..fact("6", "cy", "d3", 1.0) },
    ])
    .unwrap();
    let track = track(&frame, Subject::Card("card"), &TrackQuery::default(), &Policy::published()).unwrap();
    assert_eq!(track.reference.as_deref(), Some("d1"));
    let drivers: Vec<&str> = track.points.iter().map(|p| p.driver.as_str()).collect();
    assert_eq!(drivers, ["d1", "d2", "d3"]);
    let new = &track.points[1];
    assert!((new.index.unwrap() - 110.0).abs() < 1e-9);
    assert!(new.index_low.unwrap() < 110.0 && new.index_high.unwrap() > 110.0);
    assert_eq!((new.matches, new.contributors, new.runs), (2, 2, 3));
    assert_eq!(track.points[2].did_not_start[0].runs, 1);
    assert_eq!(track.points[2].index, None);
    assert_eq!(track_table(&track).unwrap().len(), 3);
}

#[test]
fn a_reference_nobody_ran_is_named_in_the_error() {
    let error =
        track(&three_contributors(), Subject::Card("card"), &TrackQuery::against("d9"), &Policy::published())
            .unwrap_err();
    assert!(error.to_string().contains("d9"));
}

#[test]
fn contributors_differ_by_other_amounts_where_the_platform_has_a_part_in_the_rate() {
    let mut random = crate::draw::Random(7);
    let mut facts = Vec::new();
    for cell in 0..160_u32 {
        let (share, sd): (f64, f64) = if cell % 2 == 0 { (0.9, 0.02) } else { (0.4, 0.1) };
        for who in ["ada", "bo", "cy"] {
            let rate = 60.0 * (sd * random.normal()).exp();
            let mut fact = fact(&format!("{cell:03}-{who}"), who, "d1", rate);
            fact.identity.width = 1000 + cell;
            fact.card_share = Some(share);
            facts.push(fact);
        }
    }
    let policy = Policy::published();
    let frame = RunFrame::new(&facts).unwrap();
    let priors = super::spread::estimate(&frame, &policy).unwrap();
    let near = |found: f64, true_sd: f64| (found / true_sd - 1.0).abs() < 0.2;
    assert!(near(priors.mean_fps.card.sd, 0.02) && near(priors.mean_fps.other.sd, 0.1), "{priors:?}");
    // Too few say anything of a definition that nobody gave.
    assert_eq!(priors.low_tail_mean, policy.table.prior_low);
    let rows =
        medians(&frame.with_priors(Some(priors)), &MediansQuery::default(), &policy).unwrap().json_rows();
    let width = |row: &serde_json::Value| {
        (row["mean_fps_to"].as_f64().unwrap() / row["mean_fps_from"].as_f64().unwrap()).ln()
    };
    let mean = |odd: u64| {
        let of: Vec<f64> =
            rows.iter().filter(|r| r["width"].as_u64().unwrap() % 2 == odd).map(width).collect();
        of.iter().sum::<f64>() / of.len() as f64
    };
    assert!(mean(1) > 3.0 * mean(0));
}
