//! Judgement on simulated honest and dishonest runs. The worlds are the tests' own and seeded.

use super::*;
use crate::identity::Identity;
use crate::run::{Outcome, SceneKind};
use crate::statistics::{Grade, RunStatistics};

fn identity(platform: &str) -> Identity {
    Identity {
        card: "card".to_owned(),
        chip: None,
        driver: "d1".to_owned(),
        branch: None,
        driver_day: None,
        workload: "game".to_owned(),
        workload_kind: None,
        scene: "harbour".to_owned(),
        scene_kind: SceneKind::ScriptedPath,
        build: None,
        api: "vulkan".to_owned(),
        preset: "low".to_owned(),
        width: 1920,
        height: 1080,
        render_scale: 1.0,
        variant: String::new(),
        platform: platform.to_owned(),
        bench: "b".to_owned(),
    }
}

fn examined(mean_fps: f64, low_fps: f64) -> Examined {
    Examined {
        outcome: Outcome::Completed,
        statistics: RunStatistics {
            passes: Vec::new(),
            grade: Grade::Full,
            frames: None,
            length_s: None,
            mean_fps: Some(mean_fps),
            low_percentile_fps: Some(low_fps),
            low_tail_mean_fps: None,
            low_time_share_fps: None,
            between_pass_cv: None,
        },
        identity: identity("a"),
        findings: Vec::new(),
        proposals: Vec::new(),
    }
}

fn peer(contributor: &str, mean_fps: f64, low_fps: f64) -> Peer {
    Peer { contributor: contributor.to_owned(), platform: "a".to_owned(), mean_fps, low_fps: Some(low_fps) }
}

fn codes(judgement: &Judgement) -> Vec<(&str, Severity)> {
    judgement.findings.iter().map(|f| (f.code.as_ref(), f.severity)).collect()
}

use crate::finding::Severity;

/// Splitmix64 (Steele, Lea, Flood 2014) and the polar method: enough for a test.
struct Draw(u64);

impl Draw {
    fn uniform(&mut self) -> f64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        ((z ^ (z >> 31)) >> 11) as f64 / (1u64 << 53) as f64
    }

    fn normal(&mut self) -> f64 {
        loop {
            let (u, v) = (2.0 * self.uniform() - 1.0, 2.0 * self.uniform() - 1.0);
            let s = u * u + v * v;
            if s > 0.0 && s < 1.0 {
                return u * (-2.0 * s.ln() / s).sqrt();
            }
        }
    }

    /// An honest run of a cell at 60 fps: benches differ by 3.8 %, every tenth run by twice that.
    fn honest(&mut self) -> (f64, f64) {
        let wide = if self.uniform() < 0.1 { 2.0 } else { 1.0 };
        let mean = 60.0 * (0.038 * wide * self.normal()).exp();
        (mean, mean * 0.75 * (0.045 * wide * self.normal()).exp())
    }
}

#[test]
fn a_run_without_peers_is_accepted_as_uncorroborated() {
    let judgement = judge(&examined(60.0, 45.0), &Evidence::default(), &Policy::published());
    assert_eq!(judgement.verdict, Verdict::Accepted);
    assert_eq!(codes(&judgement), [("uncorroborated", Severity::Note)]);
    assert_eq!((judgement.peers, judgement.z), (0, None));
}

#[test]
fn honest_runs_are_hardly_ever_held_whatever_the_number_of_peers() {
    let policy = Policy::published();
    let mut draw = Draw(20_240_504);
    for n in [1, 2, 3, 5, 10, 20] {
        let (mut held, mut rejected) = (0, 0);
        let trials = 4000;
        for _ in 0..trials {
            let peers = (0..n).map(|c| {
                let (mean, low) = draw.honest();
                peer(&format!("c{c}"), mean, low)
            });
            let evidence = Evidence { peers: peers.collect(), ..Evidence::default() };
            let (mean, low) = draw.honest();
            match judge(&examined(mean, low), &evidence, &policy).verdict {
                Verdict::Held => held += 1,
                Verdict::Rejected => rejected += 1,
                Verdict::Accepted => {}
            }
        }
        let share = f64::from(held) / f64::from(trials);
        println!("{n} peers: {:.2} % held, {rejected} rejected of {trials}", 100.0 * share);
        // The bound allows for two standard errors at 4000 trials above 1.2 %.
        assert!(share < 0.0155, "{n} peers: {share}");
        assert!(rejected == 0, "{n} peers: {rejected}");
    }
}

#[test]
fn a_rate_inflated_by_forty_per_cent_is_caught() {
    let policy = Policy::published();
    let mut draw = Draw(7);
    for (n, at_least) in [(1, 0.90), (3, 0.97), (10, 0.99)] {
        let mut caught = 0;
        for _ in 0..1000 {
            let peers = (0..n).map(|c| {
                let (mean, low) = draw.honest();
                peer(&format!("c{c}"), mean, low)
            });
            let evidence = Evidence { peers: peers.collect(), ..Evidence::default() };
            let (mean, low) = draw.honest();
            let judgement = judge(&examined(1.4 * mean, 1.4 * low), &evidence, &policy);
            caught += u32::from(judgement.verdict != Verdict::Accepted);
        }
        println!("{n} peers: {caught} of 1000 at +40 % caught");
        assert!(f64::from(caught) / 1000.0 >= at_least, "{n} peers: {caught}");
    }
}

#[test]
fn seconds_given_as_milliseconds_are_rejected_with_one_peer() {
    let evidence = Evidence { peers: vec![peer("bo", 60.0, 45.0)], ..Evidence::default() };
    let judgement = judge(&examined(60_000.0, 45_000.0), &evidence, &Policy::published());
    assert!(codes(&judgement).contains(&("unit-against-peers", Severity::Reject)));
}

#[test]
fn one_busy_contributor_weighs_as_much_as_a_lazy_one() {
    let mut peers: Vec<Peer> = (0..50).map(|_| peer("busy", 90.0, 70.0)).collect();
    peers.extend([peer("bo", 60.0, 45.0), peer("cy", 60.5, 45.0)]);
    let evidence = Evidence { peers, ..Evidence::default() };
    let judgement = judge(&examined(61.0, 46.0), &evidence, &Policy::published());
    assert_eq!((judgement.verdict, judgement.peers), (Verdict::Accepted, 3));
}

#[test]
fn equal_peers_leave_a_scale_to_judge_by() {
    let peers = (0..5).map(|c| peer(&format!("c{c}"), 60.0, 45.0)).collect();
    let evidence = Evidence { peers, ..Evidence::default() };
    let judgement = judge(&examined(61.0, 46.0), &evidence, &Policy::published());
    assert_eq!(judgement.verdict, Verdict::Accepted);
    assert!(judgement.z.unwrap().is_finite());
}

#[test]
fn a_slow_processor_is_not_held_against_fast_ones() {
    let other = |c: &str, fps| Peer { platform: "b".to_owned(), ..peer(c, fps, fps * 0.75) };
    let evidence = Evidence { peers: vec![other("bo", 75.0), other("cy", 77.0)], ..Evidence::default() };
    let judgement = judge(&examined(60.0, 45.0), &evidence, &Policy::published());
    assert_eq!(judgement.verdict, Verdict::Accepted);
    // With two of its own class beside them, those decide.
    let mut peers = evidence.peers;
    peers.extend([peer("di", 60.0, 45.0), peer("ed", 61.0, 46.0)]);
    let judgement =
        judge(&examined(77.0, 58.0), &Evidence { peers, ..Evidence::default() }, &Policy::published());
    assert_eq!(judgement.verdict, Verdict::Held);
}

#[test]
fn a_stored_pass_is_named_with_its_run() {
    let duplicates = vec![DuplicatePass { pass: 1, run: "r-1".to_owned() }];
    let evidence = Evidence { duplicates, ..Evidence::default() };
    let judgement = judge(&examined(60.0, 45.0), &evidence, &Policy::published());
    assert_eq!(judgement.verdict, Verdict::Rejected);
    assert_eq!(judgement.findings[0].pointer, "/passes/1");
}

#[test]
fn a_ladder_that_does_not_rise_marks_the_run_as_the_platforms() {
    let ladder = vec![Rung { width: 1280, height: 720, mean_fps: 61.0 }];
    let evidence = Evidence { ladder, ..Evidence::default() };
    let judgement = judge(&examined(60.0, 45.0), &evidence, &Policy::published());
    assert_eq!(judgement.verdict, Verdict::Accepted);
    assert!(codes(&judgement).contains(&("platform-limited", Severity::Remark)));
}

#[test]
fn two_contributors_with_the_same_figures_are_remarked_on() {
    let evidence = Evidence { peers: vec![peer("bo", 60.0, 45.0)], ..Evidence::default() };
    let judgement = judge(&examined(60.001, 45.001), &evidence, &Policy::published());
    assert!(codes(&judgement).contains(&("same-figures", Severity::Remark)));
}

#[test]
fn a_failure_has_no_figure_to_judge() {
    let mut failed = examined(60.0, 45.0);
    failed.statistics.mean_fps = None;
    failed.statistics.low_percentile_fps = None;
    failed.outcome = Outcome::Crashed;
    let evidence = Evidence { peers: vec![peer("bo", 60.0, 45.0)], ..Evidence::default() };
    let judgement = judge(&failed, &evidence, &Policy::published());
    assert_eq!(judgement.verdict, Verdict::Accepted);
    assert_eq!(codes(&judgement), [("crashed", Severity::Note)]);
}

#[test]
fn a_rendering_fault_carries_a_caution_and_its_rate_is_not_compared() {
    let faulty = Examined { outcome: Outcome::RenderingFault, ..examined(240.0, 200.0) };
    let peers = (0..5).map(|c| peer(&format!("c{c}"), 60.0, 45.0)).collect();
    let judgement = judge(&faulty, &Evidence { peers, ..Evidence::default() }, &Policy::published());
    assert_eq!(codes(&judgement), [("rendering-fault", Severity::Note)]);
    assert!(judgement.findings[0].advice.contains("seizures"));
    assert_eq!((judgement.verdict, judgement.z), (Verdict::Accepted, None));
}

#[test]
fn a_capped_run_is_held_for_the_cap_and_not_compared() {
    let mut capped = examined(30.0, 29.9);
    capped.findings.push(Finding::new("capped", Severity::Hold, "/passes/0", "Paced."));
    let peers = (0..5).map(|c| peer(&format!("c{c}"), 60.0, 45.0)).collect();
    let judgement = judge(&capped, &Evidence { peers, ..Evidence::default() }, &Policy::published());
    assert_eq!((judgement.verdict, judgement.findings.len()), (Verdict::Held, 1));
}

#[test]
fn rates_given_as_frame_times_are_rejected_where_that_can_be_told() {
    let reject = ("unit-against-peers", Severity::Reject);
    for (fps, told) in [(144.0, true), (40.0, false), (12.0, true)] {
        let evidence = Evidence { peers: vec![peer("bo", fps, 0.75 * fps)], ..Evidence::default() };
        let turned = 1000.0 / (1.02 * fps);
        let judgement = judge(&examined(turned, 0.75 * turned), &evidence, &Policy::published());
        assert_eq!(codes(&judgement).contains(&reject), told, "{fps}");
    }
}

#[test]
fn one_wild_peer_does_not_open_the_door_to_the_next() {
    let mut peers: Vec<Peer> =
        (0..5).map(|c| peer(&format!("c{c}"), 59.0 + 0.5 * f64::from(c), 45.0)).collect();
    peers.push(peer("wild", 90.0, 67.5));
    let judgement =
        judge(&examined(90.5, 68.0), &Evidence { peers, ..Evidence::default() }, &Policy::published());
    assert_eq!(judgement.verdict, Verdict::Held);
}
