//! Scores of small made-up cases, worked out by hand.

#![expect(clippy::unwrap_used, reason = "tests")]

use chrono::{DateTime, Days, TimeDelta, Utc};
use wearmark_seed_data::Known;
use wearmark_seed_data::score::{Fate, Probe, Published, Rate, Scores, Seen, score};

fn start() -> DateTime<Utc> {
    "2021-03-01T08:00:00Z".parse().unwrap()
}

/// After the warm-up.
fn day(number: i64) -> DateTime<Utc> {
    start() + Days::new(200) + TimeDelta::days(number)
}

fn known(kind: &str) -> Known {
    Known {
        index: 0,
        honest: kind == "honest",
        kind: kind.to_owned(),
        detail: None,
        magnitude: None,
        effect_ln: Some(0.0),
        expected_ln_fps: None,
        cell_ln_fps: None,
        card_share: None,
        change_ln: None,
    }
}

fn seen(contributor: usize, at: DateTime<Utc>, at_arrival: Fate) -> Seen {
    Seen {
        arrived_at: at,
        contributor,
        configuration: Some("c".to_owned()),
        release: Some("r".to_owned()),
        completed: true,
        pooled: true,
        peers: 0,
        at_arrival,
        stopped_by: Vec::new(),
        by_numbers: true,
        later: Vec::new(),
    }
}

/// Scores pairs, with an arrival long before them, so that they come after the warm-up.
fn scored(pairs: Vec<(Known, Seen)>, rows: &[Published], without: &[Published]) -> Scores {
    scored_beside(pairs, rows, without, &[])
}

fn scored_beside(
    pairs: Vec<(Known, Seen)>,
    rows: &[Published],
    without: &[Published],
    truthful: &[Published],
) -> Scores {
    let first = Seen { configuration: None, release: None, ..seen(99, start(), Fate::Accepted) };
    let (mut knowns, mut seens) = (vec![known("honest")], vec![first]);
    for (known, seen) in pairs {
        knowns.push(known);
        seens.push(seen);
    }
    score(&knowns, &seens, &[], rows, without, truthful)
}

fn rate(hits: usize, of: usize) -> Rate {
    Rate { of, hits }
}

/// Source: Newcombe 1998, Statistics in Medicine 17:857, table I, method 3 (figures from memory).
#[test]
fn limits_of_shares_are_those_of_the_published_table() {
    for (hits, of, low, high) in [
        (81, 263, 0.2553, 0.3662),
        (15, 148, 0.0624, 0.1605),
        (0, 20, 0.0000, 0.1611),
        (1, 29, 0.0061, 0.1718),
    ] {
        let (found_low, found_high) = rate(hits, of).limits().unwrap();
        assert!((found_low - low).abs() < 6e-5 && (found_high - high).abs() < 6e-5, "{hits}/{of}");
    }
    assert_eq!(rate(20, 20).limits().unwrap().1, 1.0);
    assert_eq!((rate(0, 0).share(), rate(0, 0).limits()), (None, None));
}

#[test]
fn arrivals_of_the_first_days_are_in_no_rate_of_arrivals() {
    let early = (known("inflated"), seen(1, start() + Days::new(179), Fate::Held));
    let late = (known("inflated"), seen(1, start() + Days::new(180), Fate::Held));
    let scores = scored(vec![early, late], &[], &[]);
    assert_eq!((scores.runs, scores.bad), (3, 2));
    assert_eq!(scores.kinds[0].detection.caught, rate(1, 1));
}

#[test]
fn bad_runs_are_counted_by_kind_size_and_peers() {
    let bad = |kind: &str, magnitude: Option<f64>, effect: f64, peers: usize, fate: Fate| {
        let known = Known { magnitude, effect_ln: Some(effect), ..known(kind) };
        (known, Seen { peers, ..seen(1, day(0), fate) })
    };
    let scores = scored(
        vec![
            bad("inflated", Some(0.2), 0.182, 0, Fate::Accepted),
            bad("inflated", Some(0.2), 0.182, 3, Fate::Held),
            bad("inflated", Some(0.1), 0.095, 25, Fate::Rejected),
            bad("frame-cap", Some(60.0), -0.30, 0, Fate::Held),
            bad("duplicate-of", None, 0.02, 0, Fate::Refused),
        ],
        &[],
        &[],
    );
    let kinds: Vec<(&str, Rate, usize, usize)> = scores
        .kinds
        .iter()
        .map(|k| (k.kind.as_str(), k.detection.caught, k.detection.held, k.detection.rejected))
        .collect();
    assert_eq!(
        kinds,
        [("duplicate-of", rate(1, 1), 0, 1), ("frame-cap", rate(1, 1), 1, 0), ("inflated", rate(2, 3), 1, 1)]
    );
    assert_eq!(scores.kinds[2].detection.in_tables, rate(1, 3));
    let sizes: Vec<(&str, Rate, Rate)> =
        scores.sizes.iter().map(|s| (s.size, s.all.caught, s.without_trace.caught)).collect();
    assert_eq!(sizes[0], ("under 3", rate(1, 1), rate(0, 0)));
    assert_eq!(sizes[2], ("6-10", rate(1, 1), rate(1, 1)));
    assert_eq!(sizes[4], ("15-25", rate(1, 2), rate(1, 2)));
    assert_eq!(sizes[5], ("over 25", rate(1, 1), rate(0, 0)));
    let by_peers: Vec<(&str, Rate, Rate)> =
        scores.inflated.iter().map(|i| (i.peers.name, i.ten, i.twenty)).collect();
    assert_eq!(by_peers[0], ("0", rate(0, 0), rate(0, 1)));
    assert_eq!(by_peers[3], ("3-4", rate(0, 0), rate(1, 1)));
    assert_eq!(by_peers[6], ("20+", rate(1, 1), rate(0, 0)));
    assert_eq!(by_peers[7], ("1 or more", rate(1, 1), rate(1, 1)));
    assert_eq!(by_peers[8], ("all", rate(1, 1), rate(1, 2)));
}

#[test]
fn rules_are_counted_by_whom_they_stopped_alone_and_for_how_long() {
    let run = |kind: &str, fate: Fate, rules: &[&str], later: Vec<(i64, Fate)>| {
        let later = later.into_iter().map(|(at, fate)| (day(at), fate)).collect();
        let stopped_by = rules.iter().map(|rule| (*rule).to_owned()).collect();
        (known(kind), Seen { stopped_by, later, ..seen(1, day(0), fate) })
    };
    let scores = scored(
        vec![
            run("honest", Fate::Held, &["b"], vec![(3, Fate::Accepted)]),
            run("honest", Fate::Held, &["a", "b"], vec![(50, Fate::Accepted)]),
            run("honest", Fate::Accepted, &[], vec![]),
            run("inflated", Fate::Held, &["a"], vec![]),
            run("inflated", Fate::Rejected, &["c"], vec![]),
            // The last arrival lets the others have had their 30 days.
            (known("honest"), seen(3, day(61), Fate::Accepted)),
        ],
        &[],
        &[],
    );
    let rows: Vec<_> = scores
        .rules
        .iter()
        .map(|r| (r.rule.as_str(), r.bad, r.honest, r.honest_alone, r.within_30_days))
        .collect();
    assert_eq!(
        rows,
        [
            ("b", 0, rate(2, 4), 1, rate(1, 2)),
            ("a", 1, rate(1, 4), 0, rate(0, 1)),
            ("c", 1, rate(0, 4), 0, rate(0, 0)),
        ]
    );
}

#[test]
fn honest_runs_are_counted_by_peers_and_by_what_became_of_them() {
    let honest = |peers: usize, fate: Fate, by_numbers: bool, later: Vec<(i64, Fate)>| {
        let later = later.into_iter().map(|(at, fate)| (day(at), fate)).collect();
        (known("honest"), Seen { peers, by_numbers, later, ..seen(1, day(0), fate) })
    };
    let scores = scored(
        vec![
            honest(0, Fate::Held, true, vec![(29, Fate::Accepted)]),
            honest(0, Fate::Held, false, vec![(31, Fate::Accepted)]),
            honest(1, Fate::Held, true, vec![(5, Fate::Accepted), (9, Fate::Held)]),
            honest(2, Fate::Rejected, true, vec![]),
            honest(2, Fate::Accepted, false, vec![(40, Fate::Held)]),
            honest(2, Fate::Accepted, false, vec![]),
            // Too late to have had 30 days.
            (known("honest"), Seen { arrived_at: day(60), ..seen(2, day(60), Fate::Held) }),
            (known("honest"), seen(3, day(61), Fate::Accepted)),
        ],
        &[],
        &[],
    );
    let row = |at: usize| {
        let h = &scores.honest[at];
        (h.peers.name, h.held_by_numbers, h.held, h.rejected)
    };
    assert_eq!(row(0), ("0", rate(2, 4), rate(3, 4), rate(0, 4)));
    assert_eq!(row(1), ("1", rate(1, 1), rate(1, 1), rate(0, 1)));
    assert_eq!(row(2), ("2", rate(0, 3), rate(0, 3), rate(1, 3)));
    assert_eq!(row(7), ("all", rate(3, 8), rate(4, 8), rate(1, 8)));
    assert_eq!(scores.release.within_30_days, rate(1, 3));
    assert_eq!(scores.release.out_at_the_end, rate(2, 4));
    assert_eq!(scores.release.taken_back, rate(1, 3));
    assert_eq!(scores.release.lost, rate(4, 8));
}

#[test]
fn runs_on_a_changed_release_are_ranked_by_contributor() {
    let run = |who: usize, at: i64, fate: Fate, released: Option<i64>, by: f64| {
        let later = released.map(|at| (day(at), Fate::Accepted)).into_iter().collect();
        (Known { change_ln: Some(by), ..known("honest") }, Seen { later, ..seen(who, day(at), fate) })
    };
    let scores = scored(
        vec![
            run(1, 0, Fate::Held, Some(12), -0.08),
            run(1, 1, Fate::Held, None, -0.08),
            run(2, 10, Fate::Held, Some(12), -0.08),
            run(3, 20, Fate::Accepted, None, 0.14),
            // On this bench the change does not show.
            run(4, 21, Fate::Held, None, 0.01),
            run(5, 90, Fate::Accepted, None, 0.08),
        ],
        &[],
        &[],
    );
    let row = |at: usize| {
        let c = &scores.changes[at];
        (c.contributor, c.held, c.within_30_days, c.on_agreement, c.days_to_release, c.out_at_the_end)
    };
    assert_eq!(row(0), ("first", rate(2, 2), rate(1, 2), rate(1, 2), Some(12.0), rate(1, 2)));
    assert_eq!(row(1), ("second", rate(1, 1), rate(1, 1), rate(1, 1), Some(2.0), rate(0, 1)));
    assert_eq!(row(2), ("third or later", rate(0, 2), rate(0, 0), rate(0, 0), None, rate(0, 0)));
    assert_eq!(row(3).1, rate(3, 5));
}

fn published(
    configuration: &str,
    contributors: usize,
    value: f64,
    interval: Option<(f64, f64)>,
) -> Published {
    Published {
        configuration: configuration.to_owned(),
        contributors,
        value,
        adjusted: Some(value),
        interval,
    }
}

#[test]
fn published_medians_are_held_against_the_median_truth_of_their_contributors() {
    let run = |who: usize, configuration: &str, truth: f64, fate: Fate| {
        let card_share = Some(if configuration == "b" { 0.9 } else { 0.6 });
        let known = Known { cell_ln_fps: Some(truth), card_share, ..known("honest") };
        (known, Seen { configuration: Some(configuration.to_owned()), ..seen(who, day(0), fate) })
    };
    // The truth of `a` is the median of 4.0 (twice the same contributor) and 4.2: 4.1.
    let runs = vec![
        run(1, "a", 4.0, Fate::Accepted),
        run(1, "a", 4.0, Fate::Accepted),
        run(2, "a", 4.2, Fate::Accepted),
        run(3, "a", 9.0, Fate::Held),
        run(1, "b", 3.0, Fate::Accepted),
    ];
    let e = f64::exp;
    let rows = [
        published("a", 2, e(4.13), Some((e(4.05), e(4.21)))),
        published("b", 1, e(2.92), None),
        published("unheard of", 4, 50.0, Some((40.0, 60.0))),
    ];
    let scores = scored(runs, &rows, &[]);
    let error = |at: usize| {
        let row = &scores.errors[at];
        (row.contributors.name, row.all.rms.map(|e| (1000.0 * e).round()), row.all.over_5, row.all.over_10)
    };
    assert_eq!(error(0), ("1", Some(80.0), rate(1, 1), rate(0, 1)));
    assert_eq!(error(1), ("2", Some(30.0), rate(0, 1), rate(0, 1)));
    assert_eq!(error(6).2, rate(1, 2));
    // The card limits `b` only.
    let limited = |at: usize| scores.errors[at].card_limited.over_5;
    assert_eq!((limited(0), limited(1), limited(6)), (rate(1, 1), rate(0, 0), rate(1, 1)));
    assert_eq!(scores.coverage[0].card_limited.covered, rate(0, 0));
    assert_eq!(scores.coverage[0].all.covered, rate(1, 1));
    assert!((scores.coverage[0].all.half_width.unwrap() - 0.08).abs() < 1e-9);
    let high = [published("a", 2, e(4.13), Some((e(4.11), e(4.15))))];
    let runs = vec![run(1, "a", 4.1, Fate::Accepted)];
    assert_eq!(scored(runs, &high, &[]).coverage[0].all.covered, rate(0, 1));
}

#[test]
fn probes_are_counted_by_size_and_peers_after_the_first_days() {
    let probe = |arrived_at, peers, by, caught| Probe { arrived_at, peers, by, caught };
    let probes = [
        probe(start(), 0, 0.1, true),
        probe(day(0), 0, 0.1, false),
        probe(day(0), 0, 0.2, true),
        probe(day(1), 4, 0.1, true),
        probe(day(1), 4, 0.2, true),
    ];
    let first = seen(1, start(), Fate::Accepted);
    let rows = score(&[known("honest")], &[first], &probes, &[], &[], &[]).probes;
    let row = |at: usize| (rows[at].peers.name, rows[at].ten, rows[at].twenty);
    assert_eq!(row(0), ("0", rate(0, 1), rate(1, 1)));
    assert_eq!(row(3), ("3-4", rate(1, 1), rate(1, 1)));
    assert_eq!(row(8), ("all", rate(1, 2), rate(2, 2)));
}

#[test]
fn attacked_medians_are_compared_with_those_without_the_liars_and_without_the_lies() {
    let run = |kind: &str, who: usize, configuration: &str, fate: Fate| {
        let card_share = Some(if configuration == "a" { 0.9 } else { 0.2 });
        let configuration = Some(configuration.to_owned());
        (
            Known { card_share, cell_ln_fps: Some(4.1), ..known(kind) },
            Seen { configuration, ..seen(who, day(0), fate) },
        )
    };
    let runs = vec![
        run("honest", 1, "a", Fate::Accepted),
        run("honest", 2, "a", Fate::Accepted),
        run("honest", 8, "a", Fate::Held),
        run("colluding", 3, "a", Fate::Held),
        run("colluding", 4, "a", Fate::Accepted),
        run("shading", 5, "b", Fate::Accepted),
        run("shading", 5, "c", Fate::Accepted),
    ];
    let with = [published("a", 3, 61.0, None), published("b", 2, 80.0, None), published("c", 3, 50.0, None)];
    let without = [published("a", 2, 60.0, None), published("c", 2, 50.0, None)];
    let truthful = [published("a", 3, 60.5, None), published("b", 2, 77.0, None)];
    let attacks = scored_beside(runs, &with, &without, &truthful).attacks;
    let (colluding, shading) = (&attacks[0], &attacks[1]);
    assert_eq!((colluding.kind, shading.kind), ("colluding", "shading"));
    let shift = &colluding.shifts[0];
    assert_eq!((shift.honest, shift.liars, shift.accepted), (2, 2, 1));
    assert!((shift.by - (61.0_f64 / 60.0).ln()).abs() < 1e-12);
    let lie = (61.0_f64 / 60.5).ln();
    assert!(shift.lie_by.is_some_and(|by| (by - lie).abs() < 1e-12), "{shift:?}");
    assert_eq!((colluding.lie_median, colluding.lie_largest), (shift.lie_by, shift.lie_by));
    assert_eq!((colluding.unpaired, shading.unpaired, shading.shifts.len()), (0, 1, 1));
    assert_eq!((shift.card_limited, shading.shifts[0].card_limited), (true, false));
}
