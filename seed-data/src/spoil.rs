//! Turns some honest plans into bad submissions of every kind.

use chrono::Datelike;
use wearmark_core::catalogue::Form;
use wearmark_core::run::Outcome;
use wearmark_core::statistics::Grade;

use crate::label::{Label, WrongUnit};
use crate::nature::Habits;
use crate::people::{Contributor, Workbench};
use crate::plan::{Planned, releases};
use crate::random::Random;
use crate::truth::Truth;

const TOPIC: u64 = 6;

/// Kinds that somebody does on purpose come mostly from those who make a habit of it.
const DELIBERATE: [&str; 5] = ["copied-passes", "duplicate-of", "fabricated", "forged-copy", "inflated"];

pub(crate) struct Spoiler<'a> {
    pub(crate) truth: &'a Truth,
    pub(crate) contributors: &'a [Contributor],
    pub(crate) benches: &'a [Workbench],
    pub(crate) habits: &'a Habits,
}

impl Spoiler<'_> {
    pub(crate) fn spoil(&self, seed: u64, plan: &mut [Planned]) {
        let random = &mut Random::stream(seed, TOPIC, 0);
        let total: f64 = self.habits.mix.iter().map(|(_, weight)| weight).sum();
        let bad = self.habits.bad * plan.len() as f64;
        for (kind, weight) in self.habits.mix {
            let wanted = (bad * weight / total).round().max(1.0) as usize;
            let mut made = 0;
            // Some kinds fit few runs; a bound keeps a small world from searching for ever.
            for _ in 0..wanted * 4000 {
                if made == wanted {
                    break;
                }
                let at = random.below(plan.len());
                made += usize::from(self.fits(random, kind, &plan[at]) && self.apply(random, kind, plan, at));
            }
        }
    }

    fn fits(&self, random: &mut Random, kind: &str, run: &Planned) -> bool {
        let with_frames = matches!(run.grade, Grade::Full | Grade::Short);
        let unreliable = self.contributors[self.benches[run.bench].contributor].unreliable;
        run.label.is_honest()
            && run.outcome == Outcome::Completed
            && with_frames
            && (!DELIBERATE.contains(&kind) || unreliable || random.chance(self.habits.tempted))
    }

    /// Makes one run bad in the given way; false when it cannot be.
    fn apply(&self, random: &mut Random, kind: &str, plan: &mut [Planned], at: usize) -> bool {
        let Some(label) = self.label(random, kind, plan, at) else { return false };
        if let Label::DuplicateOf { submission } | Label::ForgedCopy { submission, .. } = label {
            plan[at].measured = plan[submission].claimed;
            plan[at].claimed = plan[submission].claimed;
            plan[at].grade = plan[submission].grade;
        }
        plan[at].label = label;
        true
    }

    fn label(&self, random: &mut Random, kind: &str, plan: &mut [Planned], at: usize) -> Option<Label> {
        let run = &mut plan[at];
        let label = match kind {
            "unit-error" => Label::UnitError {
                unit: *random.pick(&[
                    WrongUnit::Seconds,
                    WrongUnit::Microseconds,
                    WrongUnit::FramesPerSecond,
                ]),
            },
            // The rate is settled when the run is made, from the rate without the cap.
            "frame-cap" => Label::FrameCap { fps: self.cap(random, run)? },
            "throttling" => Label::Throttling { decline: hundredths(random.between(0.08, 0.25)) },
            "menu-included" => Label::MenuIncluded { share: hundredths(random.between(0.05, 0.25)) },
            "copied-passes" => Label::CopiedPasses { jitter: if random.chance(0.5) { 0.0 } else { 0.004 } },
            "fabricated" => Label::Fabricated,
            "inflated" => Label::Inflated { by: *random.pick(self.habits.inflations) },
            "background-load" => Label::BackgroundLoad { loss: hundredths(random.between(0.03, 0.15)) },
            "summary-contradicts" => {
                Label::SummaryContradicts { factor: hundredths(random.between(1.06, 1.45)) }
            }
            "other-low-definition" => Label::OtherLowDefinition,
            "duplicate-of" => Label::DuplicateOf { submission: self.original(random, plan, at)? },
            "forged-copy" => Label::ForgedCopy {
                submission: self.original(random, plan, at)?,
                scale: *random.pick(self.habits.scales),
                jitter: *random.pick(self.habits.jitters),
            },
            _ => return self.mislabel(random, kind, run),
        };
        Some(label)
    }

    /// Labels whose claim differs from what was measured.
    fn mislabel(&self, random: &mut Random, kind: &str, run: &mut Planned) -> Option<Label> {
        let catalogue = &self.truth.catalogue;
        let bench = &self.benches[run.bench];
        let cpu = &catalogue.cpus[bench.platform.cpu];
        let card = &catalogue.cards[run.measured.card];
        let date = run.at.date_naive();
        match kind {
            "wrong-card" => {
                let api = &catalogue.workloads[run.measured.workload].apis[run.measured.api];
                let others: Vec<usize> = (0..catalogue.cards.len())
                    .filter(|&c| c != run.measured.card && catalogue.cards[c].form == card.form)
                    .filter(|&c| self.truth.supports(run.measured.driver, c))
                    .filter(|&c| catalogue.chips[self.truth.chip(c)].apis.contains(api))
                    .collect();
                run.claimed.card = *pick(random, &others)?;
                Some(Label::WrongCard { measured: card.id.clone() })
            }
            "wrong-resolution" => {
                let (width, height) = *random.pick(self.habits.resolutions);
                if height == run.claimed.height {
                    return None;
                }
                (run.measured.width, run.measured.height) = (width, height);
                Some(Label::WrongResolution { width, height })
            }
            "wrong-preset" => {
                let presets = &catalogue.workloads[run.claimed.workload].presets;
                let preset = random.below(presets.len());
                if preset == run.claimed.preset {
                    return None;
                }
                run.measured.preset = preset;
                Some(Label::WrongPreset { measured: presets[preset].clone() })
            }
            "wrong-driver" => {
                let mut others = releases(self.truth, bench.system, run.measured.card, date);
                others.retain(|&d| d != run.measured.driver);
                run.claimed.driver = *pick(random, &others)?;
                Some(Label::WrongDriver { measured: catalogue.drivers[run.measured.driver].id.clone() })
            }
            "driver-after-run" => {
                let much_later = date.with_year(date.year() + 1)?;
                let mut later = releases(self.truth, bench.system, run.measured.card, much_later);
                later.retain(|&d| (catalogue.drivers[d].date - date).num_days() >= 5);
                run.claimed.driver = *pick(random, &later)?;
                let days = (catalogue.drivers[run.claimed.driver].date - date).num_days();
                Some(Label::DriverAfterRun { days })
            }
            "wrong-memory-size" => {
                let sold =
                    |mib: u64| catalogue.cards.iter().any(|c| c.chip == card.chip && c.memory_mib == mib);
                let sizes: Vec<u64> =
                    [512, 1024, 2048, 3072, 4096, 6144, 8192].into_iter().filter(|&s| !sold(s)).collect();
                Some(Label::WrongMemorySize { claimed_mib: *pick(random, &sizes)? })
            }
            "impossible-memory-type" => {
                let types: Vec<&str> = ["DDR2", "DDR3", "DDR4", "DDR5"]
                    .into_iter()
                    .filter(|t| cpu.memory.iter().all(|m| m.kind != *t))
                    .collect();
                Some(Label::ImpossibleMemoryType { claimed: (*pick(random, &types)?).to_owned() })
            }
            "impossible-channels" => Some(Label::ImpossibleChannels { claimed: 2 * cpu.memory_channels }),
            "mobile-as-desktop" => {
                if card.form != Form::Mobile {
                    return None;
                }
                let desktop = card.id.strip_suffix("-fold")?;
                run.claimed.card = catalogue.cards.iter().position(|c| c.id == desktop)?;
                Some(Label::MobileAsDesktop)
            }
            "unknown-card" => Some(Label::UnknownCard { measured: card.id.clone() }),
            "single-channel-as-dual" => {
                (!bench.platform.single_channel).then_some(Label::SingleChannelAsDual)
            }
            _ => None,
        }
    }

    /// A common cap below the rate to be expected.
    fn cap(&self, random: &mut Random, run: &Planned) -> Option<f64> {
        let native = libm::exp(self.truth.expected(&run.measured, &self.benches[run.bench].platform));
        let caps: Vec<f64> = [30.0, 40.0, 50.0, 60.0, 72.0, 75.0, 90.0, 100.0, 120.0, 144.0]
            .into_iter()
            .filter(|cap| (0.55..0.92).contains(&(cap / native)))
            .collect();
        pick(random, &caps).copied()
    }

    /// An honest earlier run of somebody else that this bench could have made.
    fn original(&self, random: &mut Random, plan: &[Planned], at: usize) -> Option<usize> {
        if at == 0 {
            return None;
        }
        let from = random.below(at);
        let (copy, source) = (&plan[at], &plan[from]);
        let form = |card: usize| self.truth.catalogue.cards[card].form;
        let (bench, other) = (&self.benches[copy.bench], &self.benches[source.bench]);
        let fits = source.label.is_honest()
            && source.outcome == Outcome::Completed
            && matches!(source.grade, Grade::Full | Grade::Short)
            && bench.contributor != other.contributor
            && bench.system == other.system
            && source.at < copy.at
            && form(source.claimed.card) == form(copy.claimed.card);
        fits.then_some(from)
    }
}

fn pick<'a, T>(random: &mut Random, items: &'a [T]) -> Option<&'a T> {
    if items.is_empty() { None } else { Some(random.pick(items)) }
}

fn hundredths(x: f64) -> f64 {
    (100.0 * x).round() / 100.0
}
