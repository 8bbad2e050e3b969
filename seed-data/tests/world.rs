//! The world of the demo keeps its promises: same seed, same bytes; enough of everything; honest
//! runs that agree with the catalogue and with the truth; every kind of bad submission.

#![expect(clippy::unwrap_used, clippy::panic, reason = "tests")]

use std::collections::{BTreeMap, BTreeSet};

use sha2::{Digest, Sha256};
use wearmark_core::catalogue::{Catalogue, WorkloadKind};
use wearmark_core::price::Condition;
use wearmark_core::price::currency::Currency;
use wearmark_core::run::{BenchClaim, Outcome, Pass, Run, SceneKind};
use wearmark_seed_data::{Cell, Label, PriceLabel, Size, Submission, World, catalogue};

fn frames(run: &Run) -> Vec<&Vec<f64>> {
    run.passes.iter().filter_map(|p| p.frame_times_ms.as_ref()).collect()
}

fn mean_fps(times: &[f64]) -> f64 {
    1000.0 * times.len() as f64 / times.iter().sum::<f64>()
}

fn median(mut values: Vec<f64>) -> f64 {
    values.sort_by(f64::total_cmp);
    values[values.len() / 2]
}

#[test]
fn the_same_seed_gives_the_same_bytes_and_another_seed_others() {
    let hash = |seed: u64| {
        let mut hash = Sha256::new();
        for submission in World::new(seed, Size::Small).submissions() {
            hash.update(serde_json::to_vec(&submission.run).unwrap());
            hash.update(serde_json::to_vec(&submission.label).unwrap());
        }
        format!("{:x}", hash.finalize())
    };
    assert_eq!(hash(7), hash(7));
    assert_ne!(hash(7), hash(8));
}

#[test]
fn a_run_made_on_its_own_is_the_run_made_in_turn() {
    let world = World::new(3, Size::Small);
    let in_turn: Vec<Submission> = world.submissions().collect();
    for at in (0..world.len()).rev().step_by(17) {
        assert_eq!(world.submission(at), in_turn[at]);
    }
}

#[test]
fn a_run_survives_the_wire_form_unchanged() {
    for submission in World::new(4, Size::Small).submissions().take(60) {
        let wire = serde_json::to_string(&submission.run).unwrap();
        assert_eq!(serde_json::from_str::<Run>(&wire).unwrap(), submission.run);
    }
}

#[test]
fn the_catalogue_is_large_enough_and_refers_only_to_itself() {
    let document = catalogue();
    assert!(document.cards.len() >= 12 && document.chips.len() >= 9 && document.cpus.len() >= 8);
    assert!(document.drivers.len() >= 24 && document.workloads.len() >= 14);
    let architectures: BTreeSet<_> = document.chips.iter().map(|c| &c.architecture).collect();
    assert!(architectures.len() >= 4);
    let chips: BTreeSet<_> = document.chips.iter().map(|c| &c.id).collect();
    assert!(document.cards.iter().all(|c| chips.contains(&c.chip)));
    assert!(
        document.drivers.iter().all(|d| !d.chips.is_empty() && d.chips.iter().all(|c| chips.contains(c)))
    );
    let unique = |ids: Vec<&String>| ids.len() == ids.iter().collect::<BTreeSet<_>>().len();
    assert!(unique(document.chips.iter().map(|c| &c.id).collect()));
    assert!(unique(document.cards.iter().map(|c| &c.id).collect()));
    assert!(unique(document.drivers.iter().map(|d| &d.id).collect()));
    assert!(unique(document.cpus.iter().map(|c| &c.id).collect()));
    assert!(unique(document.workloads.iter().map(|w| &w.id).collect()));
    let kinds: BTreeSet<_> =
        document.workloads.iter().flat_map(|w| &w.scenes).map(|s| s.kind.as_str()).collect();
    assert_eq!(kinds.len(), 5);
    for kind in [WorkloadKind::SinglePlayer, WorkloadKind::Multiplayer] {
        assert!(document.workloads.iter().filter(|w| w.kind == kind).count() >= 5);
    }
    for workload in &document.workloads {
        assert!(workload.builds.is_sorted_by_key(|b| b.date) && !workload.builds.is_empty());
    }
    let memory: BTreeSet<_> = document.cpus.iter().flat_map(|c| &c.memory).map(|m| m.kind.as_str()).collect();
    assert_eq!(memory, BTreeSet::from(["DDR3", "DDR4", "DDR5"]));
}

#[test]
fn a_legacy_branch_starts_when_the_current_one_drops_an_architecture() {
    let document = catalogue();
    for chip in &document.chips {
        let of = |branch: &str| -> Vec<_> {
            let mut dates: Vec<_> = document
                .drivers
                .iter()
                .filter(|d| d.branch == branch && d.chips.contains(&chip.id))
                .map(|d| d.date)
                .collect();
            dates.sort();
            dates
        };
        if let Some(first) = of("legacy").first() {
            assert!(of("current").last().unwrap() < first, "{}", chip.id);
        }
    }
    let mut versions = BTreeMap::new();
    for driver in &document.drivers {
        versions.entry((&driver.vendor, &driver.version)).or_insert_with(Vec::new).push(&driver.build);
    }
    assert!(versions.values().any(|builds| builds.len() == 2 && builds.iter().all(|b| b.is_some())));
}

#[test]
fn the_demo_has_the_promised_numbers_of_everything() {
    let world = World::new(1, Size::Demo);
    assert!(world.contributors.len() >= 40);
    assert!((5_000..5_600).contains(&world.len()), "{}", world.len());
    let names: BTreeSet<_> = world.contributors.iter().map(|c| &c.name).collect();
    assert_eq!(names.len(), world.contributors.len());
    let bad = (0..world.len()).filter(|&at| !world.label(at).is_honest()).count();
    let share = bad as f64 / world.len() as f64;
    assert!((0.05..0.07).contains(&share), "{share}");
    let kinds: BTreeSet<_> = (0..world.len()).map(|at| world.label(at).kind()).collect();
    for kind in Label::BAD_KINDS {
        assert!(kinds.contains(kind), "{kind} is missing");
    }
}

#[test]
fn every_planted_failure_is_met_in_the_demo() {
    let world = World::new(1, Size::Demo);
    let mut met = BTreeMap::new();
    for at in 0..world.len() {
        let failure = world.planted_outcome(at);
        if let Some(workload) = failure.filter(|_| world.label(at).is_honest()) {
            *met.entry(workload).or_insert(0) += 1;
        }
    }
    for failure in world.truth().failures() {
        assert!(met.get(failure.workload).is_some_and(|runs| *runs >= 3), "{failure:?} {met:?}");
    }
}

#[test]
fn honest_runs_agree_with_the_catalogue() {
    let catalogue = Catalogue::new(catalogue());
    let mut before = None;
    for submission in World::new(2, Size::Small).submissions() {
        let run = &submission.run;
        assert!(before.is_none_or(|b: chrono::DateTime<chrono::Utc>| (b - run.measured_at).num_days() < 200));
        before = Some(run.measured_at);
        if !submission.label.is_honest() {
            continue;
        }
        let card = catalogue.card(run.card.label()).unwrap();
        let chip = catalogue.chip(&card.chip).unwrap();
        assert!(run.card.memory_mib.is_none_or(|mib| mib == card.memory_mib));
        assert!(run.card.pci_device_id.as_ref().is_none_or(|d| chip.pci_ids.iter().any(|p| p.device == *d)));
        let driver = catalogue
            .driver_versions(&run.driver.vendor, &run.driver.version)
            .into_iter()
            .find(|d| d.build == run.driver.build)
            .unwrap();
        assert!(driver.chips.contains(&chip.id));
        assert!(driver.date < run.measured_at.date_naive());
        assert!(run.driver.date.is_none_or(|d| d == driver.date));
        let BenchClaim::Inline(bench) = &run.bench else { panic!("benches come inline") };
        assert!(driver.systems.contains(&bench.os.name));
        let cpu = catalogue.cpu(&bench.cpu.model).unwrap();
        assert!(cpu.memory.iter().any(|m| Some(&m.kind) == bench.memory.kind.as_ref()));
        assert!(bench.memory.channels.unwrap() <= cpu.memory_channels);
        assert!(cpu.launch_date < run.measured_at.date_naive());
        assert!(bench.cpu.cores.is_none_or(|cores| cores == cpu.cores));
        if let Some(pcie) = &bench.pcie {
            assert!(pcie.generation <= cpu.pcie_generation.min(chip.pcie_generation));
            assert!(pcie.lanes <= cpu.pcie_lanes.min(chip.pcie_lanes));
        }
        let workload = catalogue.workload(&run.workload.title).unwrap();
        assert_eq!(workload.scene(&run.workload.scene.name).unwrap().kind, run.workload.scene.kind);
        assert!(workload.apis.contains(&run.settings.api) && chip.apis.contains(&run.settings.api));
        assert!(workload.presets.contains(&run.settings.preset));
        let build = workload.builds.iter().find(|b| run.workload.build.as_ref() == Some(&b.build));
        assert!(build.is_none_or(|b| b.date < run.measured_at.date_naive()));
        assert!(!run.passes.is_empty() || run.outcome != Outcome::Completed);
    }
}

/// Variance of one-second means of ln t, times the frames of a block, over the variance of ln t.
fn variance_ratio(times: &[f64]) -> f64 {
    let variance = |values: &[f64]| {
        let mean = values.iter().sum::<f64>() / values.len() as f64;
        values.iter().map(|v| (v - mean) * (v - mean)).sum::<f64>() / (values.len() - 1) as f64
    };
    let logs: Vec<f64> = times.iter().map(|t| t.ln()).collect();
    let block = mean_fps(times).round().max(2.0) as usize;
    let means: Vec<f64> = logs.chunks_exact(block).map(|c| c.iter().sum::<f64>() / block as f64).collect();
    variance(&means) * block as f64 / variance(&logs)
}

#[test]
fn honest_series_have_the_texture_of_real_ones_and_fabricated_ones_do_not() {
    let world = World::new(5, Size::Demo);
    let (mut honest, mut fabricated) = (Vec::new(), Vec::new());
    for at in 0..world.len() {
        let wanted = match world.label(at) {
            Label::Honest => at % 40 == 0,
            Label::Fabricated => true,
            _ => false,
        };
        if wanted {
            let run = world.submission(at).run;
            let ratios = frames(&run).into_iter().filter(|t| t.len() > 600).map(|t| variance_ratio(t));
            match world.label(at) {
                Label::Honest => honest.extend(ratios),
                _ => fabricated.extend(ratios),
            }
        }
    }
    assert!(honest.len() > 200 && fabricated.len() > 15);
    // Real captures of one program lie between 10 and 100.
    let low = honest.iter().filter(|r| **r < 5.0).count();
    assert!(low * 20 < honest.len(), "{low} of {}", honest.len());
    let middle = median(honest);
    assert!((10.0..60.0).contains(&middle), "{middle}");
    assert!(fabricated.iter().all(|r| *r < 2.5), "{fabricated:?}");
}

#[test]
fn honest_rates_lie_about_the_truth() {
    let world = World::new(6, Size::Small);
    let mut departures = Vec::new();
    for at in 0..world.len() {
        let Submission { run, label, .. } = world.submission(at);
        let repeatable = matches!(run.workload.scene.kind, SceneKind::BuiltInTest | SceneKind::ScriptedPath);
        let times: Vec<f64> = frames(&run).into_iter().flatten().copied().collect();
        if label.is_honest() && repeatable && run.outcome == Outcome::Completed && times.len() > 1000 {
            departures.push((mean_fps(&times).ln() - world.expected_ln_fps(at)).abs());
        }
    }
    assert!(departures.len() > 80);
    assert!(departures.iter().all(|d| *d < 0.2));
    let typical = median(departures);
    assert!((0.002..0.015).contains(&typical), "{typical}");
}

#[test]
fn what_was_done_to_a_bad_run_can_be_seen_in_it() {
    let world = World::new(1, Size::Demo);
    let rate = |run: &Run| mean_fps(&frames(run).into_iter().flatten().copied().collect::<Vec<_>>()).ln();
    for at in 0..world.len() {
        match world.label(at).clone() {
            Label::Inflated { by } => {
                let off = rate(&world.submission(at).run) - world.expected_ln_fps(at) - (1.0 + by).ln();
                assert!(off.abs() < 0.25, "{off}");
            }
            Label::DuplicateOf { submission } => {
                assert!(submission < at);
                let (copy, original) = (world.submission(at), world.submission(submission));
                assert_ne!(copy.contributor, original.contributor);
                assert_eq!(frames(&copy.run), frames(&original.run));
            }
            Label::CopiedPasses { jitter: 0.0 } => {
                let run = world.submission(at).run;
                assert!(frames(&run).windows(2).all(|pair| pair[0] == pair[1]));
            }
            Label::FrameCap { fps } => {
                let run = world.submission(at).run;
                let times: Vec<f64> = frames(&run).into_iter().flatten().copied().collect();
                let at_cap = times.iter().filter(|t| (**t * fps / 1000.0 - 1.0).abs() < 0.006).count();
                assert!(at_cap * 2 > times.len(), "{at_cap} of {} at {fps}", times.len());
            }
            Label::SummaryContradicts { factor } => {
                let run = world.submission(at).run;
                let claimed = |p: &Pass| p.summary.as_ref().unwrap().mean_fps;
                let shown = |p: &Pass| mean_fps(p.frame_times_ms.as_ref().unwrap());
                assert!(run.passes.iter().all(|p| (claimed(p) / shown(p) / factor - 1.0).abs() < 0.001));
            }
            Label::DriverAfterRun { days } => assert!(days >= 5),
            _ => {}
        }
    }
}

#[test]
fn full_runs_have_three_long_passes() {
    let world = World::new(9, Size::Small);
    let full = world
        .submissions()
        .filter(|s| {
            let passes = frames(&s.run);
            passes.len() >= 3 && passes.iter().all(|t| t.len() >= 3000 && t.iter().sum::<f64>() >= 60_000.0)
        })
        .count();
    assert!(full * 100 > 45 * world.len(), "{full} of {}", world.len());
}

#[test]
fn the_true_index_shows_the_planted_changes() {
    let world = World::new(1, Size::Small);
    let truth = world.truth();
    let before = truth.index("pelloram-lantern-27", "pelloram-40.7", "pelloram-40.7").unwrap();
    let after = truth.index("pelloram-lantern-27", "pelloram-41.2", "pelloram-40.7").unwrap();
    assert!((before - 100.0).abs() < 1e-9);
    assert!((after - 91.0).abs() < 1.5, "{after}");
    assert_eq!(truth.index("pelloram-lantern-12", "pelloram-41.2", "pelloram-40.7"), None);
}

#[test]
fn an_old_processor_holds_a_fast_card_back_and_not_a_slow_one() {
    let world = World::new(1, Size::Small);
    let loss = |card: &str, driver: &str, cpu: &str| {
        let cell = Cell {
            card,
            driver,
            workload: "gravel-parish",
            scene: "market-day",
            build: None,
            api: "DirectX 11",
            preset: "Low",
            width: 1280,
            height: 720,
        };
        world.truth().cell_ln_fps(&cell).unwrap() - world.truth().cell_ln_fps_on(&cell, cpu).unwrap()
    };
    assert!(loss("pelloram-lantern-38", "pelloram-45.2", "nembrook-treadle-20") > 0.5);
    assert!(loss("pelloram-lantern-12", "pelloram-40.1", "ostermill-whorl-oct") < 0.05);
}

#[test]
fn the_same_seed_gives_the_same_prices_and_each_kind_of_bad_one_is_what_its_label_says() {
    let world = World::new(1, Size::Demo);
    let prices = world.prices();
    assert_eq!(prices, world.prices());
    assert_ne!(prices, World::new(2, Size::Demo).prices());
    assert!(prices.len() > 800 && prices.is_sorted_by_key(|p| p.reported), "{}", prices.len());
    let catalogue = Catalogue::new(catalogue());
    for label in PriceLabel::ALL {
        let own: Vec<_> = prices.iter().filter(|p| p.label == label).collect();
        assert!(own.len() >= 2, "{}: {}", label.words(), own.len());
        if label == PriceLabel::Honest {
            // Sellers differ by a fifth, with heavy tails.
            let off = own.iter().map(|p| {
                let currency = Currency::of(&p.report.currency).unwrap();
                currency.units(p.report.amount_minor).ln() - p.centre_ln
            });
            let (mean, near) =
                (off.clone().sum::<f64>() / own.len() as f64, off.filter(|o| o.abs() < 0.42).count());
            assert!(mean.abs() < 0.03 && near * 100 > own.len() * 92, "{mean}, {near} of {}", own.len());
        }
        for price in own {
            let card = catalogue.card(&price.report.card).unwrap();
            let currency = Currency::of(&price.report.currency).unwrap();
            let off = currency.units(price.report.amount_minor).ln() - price.centre_ln;
            let fits = match label {
                PriceLabel::Honest | PriceLabel::Repeated => off.abs() < 2.5,
                PriceLabel::UnitSlip => (off + 100_f64.ln()).abs() < 1.5,
                PriceLabel::FarTooDear => off > 0.4,
                PriceLabel::FarTooCheap => off < -0.4,
                PriceLabel::BrokenAsUsed => off < 1.0 && price.report.condition == Condition::Used,
                PriceLabel::Future => price.report.date > price.reported,
                PriceLabel::BeforeLaunch => price.report.date < card.launch_date,
            };
            assert!(fits, "{}: {off} for {:?}", label.words(), price.report);
        }
    }
    let repeats = prices.iter().filter(|p| p.label == PriceLabel::Repeated);
    for again in repeats {
        let first = prices.iter().find(|p| p.label == PriceLabel::Honest && p.report == again.report);
        assert!(first.is_some_and(|first| first.contributor == again.contributor), "{:?}", again.report);
    }
}
