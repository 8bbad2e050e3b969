//! From a plan to the document that a contributor sends: the claims, spelled as people spell them.

use std::collections::BTreeMap;

use chrono::{DateTime, Duration, Utc};
use wearmark_core::run::{
    Bench, BenchClaim, CardClaim, DriverClaim, LowDefinition, NamedLow, Outcome, Pass, PassSummary, Run,
    SceneClaim, Settings, Telemetry, WorkloadClaim,
};
use wearmark_core::statistics::Grade;

use crate::figures;
use crate::label::Label;
use crate::plan::Planned;
use crate::random::Random;
use crate::world::World;

const TOPIC: u64 = 10;

/// Cards that nobody's catalogue has.
const UNKNOWN_CARDS: [&str; 4] =
    ["Pelloram Lantern 44", "Draywick Kiln Celadon", "Wicketfall Vane 3", "Sorrelby Drum 9"];

impl World {
    /// The document of a submission.
    pub(crate) fn compose(&self, submission: usize) -> Run {
        let run = &self.plan[submission];
        let random = &mut Random::stream(self.seed, TOPIC, run.key);
        let workload = &self.truth.catalogue.workloads[run.claimed.workload];
        let scene = &workload.scenes[run.claimed.scene];
        Run {
            schema: "run/1".to_owned(),
            measured_at: run.at,
            bench: BenchClaim::Inline(Box::new(self.bench_claim(run))),
            card: self.card_claim(run, random),
            driver: self.driver_claim(run, random),
            workload: WorkloadClaim {
                title: spelled(random, &workload.id, &workload.title),
                build: random.chance(0.88).then(|| workload.builds[run.claimed.build].build.clone()),
                scene: SceneClaim { name: spelled(random, &scene.id, &scene.name), kind: scene.kind },
            },
            settings: Settings {
                api: workload.apis[run.claimed.api].clone(),
                preset: workload.presets[run.claimed.preset].clone(),
                width: run.claimed.width,
                height: run.claimed.height,
                render_scale: 1.0,
                upscaler: None,
                anti_aliasing: None,
                vertical_sync: false,
                frame_cap_fps: None,
            },
            outcome: run.outcome,
            passes: self.passes(submission, random),
            telemetry: random.chance(0.35).then(|| self.telemetry(run, random)),
            capture_tool: (run.outcome != Outcome::DidNotStart)
                .then(|| self.benches[run.bench].tool.to_owned()),
            notes: note(run.outcome),
            extensions: BTreeMap::new(),
        }
    }

    fn bench_claim(&self, run: &Planned) -> Bench {
        let mut claim = self.benches[run.bench].claim.clone();
        match &run.label {
            Label::ImpossibleMemoryType { claimed } => claim.memory.kind = Some(claimed.clone()),
            Label::ImpossibleChannels { claimed } => claim.memory.channels = Some(*claimed),
            _ => {}
        }
        claim
    }

    fn card_claim(&self, run: &Planned, random: &mut Random) -> CardClaim {
        let card = &self.truth.catalogue.cards[run.claimed.card];
        let unit = &self.benches[run.bench].units[run.unit];
        let chip = &self.truth.catalogue.chips[self.truth.chip(run.measured.card)];
        let mobile = run.label == Label::MobileAsDesktop;
        let typed_by_hand = matches!(run.label, Label::WrongCard { .. });
        let pci = (mobile || random.chance(0.5) && !typed_by_hand)
            .then(|| &chip.pci_ids[unit.pci_id.min(chip.pci_ids.len() - 1)]);
        let unknown = matches!(run.label, Label::UnknownCard { .. });
        let by_id = random.chance(0.6) && !unknown;
        let name = if unknown { (*random.pick(&UNKNOWN_CARDS)).to_owned() } else { card.name.clone() };
        let memory_mib = match run.label {
            Label::WrongMemorySize { claimed_mib } => Some(claimed_mib),
            _ => random.chance(0.6).then_some(card.memory_mib),
        };
        CardClaim {
            id: by_id.then(|| card.id.clone()),
            name: (!by_id).then_some(name),
            pci_vendor_id: pci.filter(|_| !unknown).map(|p| p.vendor.clone()),
            pci_device_id: pci.filter(|_| !unknown).map(|p| p.device.clone()),
            pci_subsystem_id: None,
            memory_mib,
            variant: random
                .chance(0.15)
                .then(|| (*random.pick(&["short board", "two fans", "low profile"])).to_owned()),
            core_clock_mhz: None,
            memory_clock_mhz: None,
            power_limit_w: None,
        }
    }

    fn driver_claim(&self, run: &Planned, random: &mut Random) -> DriverClaim {
        let driver = &self.truth.catalogue.drivers[run.claimed.driver];
        DriverClaim {
            vendor: driver.vendor.clone(),
            version: driver.version.clone(),
            branch: random.chance(0.5).then(|| driver.branch.clone()),
            build: driver.build.clone(),
            date: random.chance(0.5).then_some(driver.date),
        }
    }

    fn passes(&self, submission: usize, random: &mut Random) -> Vec<Pass> {
        let run = &self.plan[submission];
        match run.outcome {
            Outcome::DidNotStart => return Vec::new(),
            Outcome::Crashed if random.chance(0.6) => return Vec::new(),
            _ => {}
        }
        let mut series = self.submitted_passes(submission);
        if run.outcome == Outcome::Crashed {
            series.truncate(1);
            series.iter_mut().for_each(|pass| pass.truncate((pass.len() / 3).max(1)));
        }
        let with_clock = random.chance(0.6);
        let with_start = random.chance(0.5);
        let with_summary = random.chance(0.1);
        let definition = *random.pick(&LowDefinition::ALL);
        let mut start = run.at;
        series
            .into_iter()
            .map(|times| {
                let length_s = real_length_s(&run.label, &times);
                let started_at = with_start.then_some(start);
                start = next_start(start, length_s, random);
                let summary = summary(run, &times, definition, with_summary);
                Pass {
                    frame_times_ms: (run.grade != Grade::Summary).then_some(times),
                    summary,
                    started_at,
                    length_s: with_clock.then(|| (10.0 * length_s).round().max(1.0) / 10.0),
                    telemetry: None,
                }
            })
            .collect()
    }

    fn telemetry(&self, run: &Planned, random: &mut Random) -> Telemetry {
        let card = &self.truth.catalogue.cards[run.measured.card];
        let bench = &self.benches[run.bench];
        let share = self.truth.card_share(&run.measured, &bench.platform);
        let room = random.between(17.0, 28.0).round();
        let load = 0.55 + 0.4 * share + 0.02 * random.normal();
        let hot = if matches!(run.label, Label::Throttling { .. }) { 66.0 } else { 0.0 };
        let rise = f64::max(22.0 + 34.0 * load + 4.0 * random.normal(), hot);
        let used = self.truth.memory_need_mib(&run.measured).min(0.97 * card.memory_mib as f64);
        Telemetry {
            card_temperature_c: Some((room + rise).round()),
            ambient_temperature_c: random.chance(0.5).then_some(room),
            board_power_w: random.chance(0.5).then_some((card.board_power_w * load.min(1.05)).round()),
            core_clock_mhz: None,
            memory_clock_mhz: None,
            memory_used_mib: random.chance(0.5).then_some(used.round()),
        }
    }
}

/// The id or the name of a thing, as people use both.
fn spelled(random: &mut Random, id: &str, name: &str) -> String {
    if random.chance(0.6) { id.to_owned() } else { name.to_owned() }
}

fn note(outcome: Outcome) -> Option<String> {
    let text = match outcome {
        Outcome::Completed => return None,
        Outcome::DidNotStart => "Closes again before the first menu.",
        Outcome::Crashed => "Stopped on the way, twice.",
        Outcome::RenderingFault => "Ran to the end, but surfaces were missing and some flickered.",
    };
    Some(text.to_owned())
}

/// How long the pass really took: the clock is right even when the unit of the frame times is not.
fn real_length_s(label: &Label, times: &[f64]) -> f64 {
    use crate::label::WrongUnit::{FramesPerSecond, Microseconds, Seconds};
    match label {
        Label::UnitError { unit: Seconds } => times.iter().sum(),
        Label::UnitError { unit: Microseconds } => times.iter().sum::<f64>() / 1e6,
        Label::UnitError { unit: FramesPerSecond } => times.iter().map(|t| 1.0 / t).sum(),
        _ => times.iter().sum::<f64>() / 1000.0,
    }
}

fn next_start(start: DateTime<Utc>, length_s: f64, random: &mut Random) -> DateTime<Utc> {
    start + Duration::seconds((length_s + random.between(8.0, 25.0)) as i64)
}

fn summary(run: &Planned, times: &[f64], definition: LowDefinition, wanted: bool) -> Option<PassSummary> {
    let (factor, low) = match run.label {
        Label::SummaryContradicts { factor } => (factor, Some((definition, definition))),
        Label::OtherLowDefinition => (1.0, Some((LowDefinition::Percentile, LowDefinition::TailMean))),
        // A unit error is one of the capture file; nobody adds a summary to it.
        Label::UnitError { .. } => return None,
        _ if wanted || run.grade == Grade::Summary => (1.0, Some((definition, definition))),
        _ => return None,
    };
    let mean_fps = figures::mean_fps(times);
    Some(PassSummary {
        mean_fps: hundredths(mean_fps * factor),
        frames: Some(times.len() as u64),
        length_s: Some(hundredths(times.iter().sum::<f64>() / 1000.0)),
        one_percent_low: low.map(|(named, computed)| NamedLow {
            definition: named,
            fps: hundredths(figures::one_percent_low(times, computed) * factor),
        }),
    })
}

fn hundredths(x: f64) -> f64 {
    (100.0 * x).round() / 100.0
}
