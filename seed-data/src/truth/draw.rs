//! Draws the effects of a world from its seed. Only the rates of cards and processors are given: a
//! reader of the demo should find about the same order of cards in every world.

use wearmark_core::catalogue::{CatalogueDocument, Workload, WorkloadKind};
use wearmark_core::run::{Outcome, SceneKind};

use super::{CHANGES, FAILURES, Situation, Step, Truth};
use crate::nature::Nature;
use crate::people;
use crate::random::Random;

/// Frames per second of each card on the average workload at preset `High`, 1920x1080.
pub(crate) const CARD_FPS: &[(&str, f64)] = &[
    ("pelloram-lantern-12", 19.0),
    ("pelloram-lantern-18", 37.0),
    ("pelloram-lantern-22", 41.0),
    ("pelloram-lantern-27", 73.0),
    ("pelloram-lantern-27-fold", 56.0),
    ("pelloram-lantern-33", 84.0),
    ("pelloram-lantern-36", 118.0),
    ("pelloram-lantern-38", 131.0),
    ("draywick-kiln-umber", 22.0),
    ("draywick-kiln-ochre", 44.0),
    ("draywick-kiln-ochre-3g", 48.0),
    ("draywick-kiln-russet-2g", 55.0),
    ("draywick-kiln-russet-4g", 57.0),
    ("draywick-kiln-verdigris", 101.0),
];

/// Frames per second that each processor allows on the average workload, two channels.
const CPU_FPS: &[(&str, f64)] = &[
    ("nembrook-treadle-20", 56.0),
    ("nembrook-treadle-40", 95.0),
    ("nembrook-treadle-42", 116.0),
    ("nembrook-treadle-m42", 92.0),
    ("nembrook-treadle-63", 150.0),
    ("nembrook-treadle-65", 228.0),
    ("ostermill-whorl-quad", 72.0),
    ("ostermill-whorl-stack", 90.0),
    ("ostermill-whorl-hex", 138.0),
    ("ostermill-whorl-oct", 251.0),
];

/// What is not drawn from the seed.
pub(crate) struct Given {
    /// Per card: frames per second on the average workload at preset `High`, 1920x1080.
    pub(crate) fps: Vec<f64>,
    /// Per card: how many have it, relative to the others.
    pub(crate) popularity: Vec<f64>,
    /// Sizes of the noise.
    pub(crate) nature: Nature,
    /// Draws further changes of driver releases, once all else is known.
    pub(crate) steps: fn(u64, &Truth) -> Vec<Step>,
}

fn no_steps(_seed: u64, _truth: &Truth) -> Vec<Step> {
    Vec::new()
}

const TOPIC: u64 = 1;
const LACK_OF_FIT_TOPIC: u64 = 2;

pub(crate) fn rate(table: &[(&str, f64)], id: &str) -> f64 {
    table.iter().find(|(name, _)| *name == id).map_or(60.0, |(_, fps)| *fps)
}

fn normals(random: &mut Random, count: usize, sd: f64) -> Vec<f64> {
    (0..count).map(|_| sd * random.normal()).collect()
}

impl Truth {
    /// The truth of the demo's world.
    pub(crate) fn draw(seed: u64, catalogue: CatalogueDocument) -> Truth {
        let cards = &catalogue.cards;
        let fps = cards.iter().map(|c| rate(CARD_FPS, &c.id)).collect();
        let popularity = cards.iter().map(|c| people::popularity(&c.id)).collect();
        Truth::of(seed, catalogue, Given { fps, popularity, nature: Nature::DEMO, steps: no_steps })
    }

    /// The truth of a world with a catalogue of its own.
    pub(crate) fn of(seed: u64, catalogue: CatalogueDocument, given: Given) -> Truth {
        let random = &mut Random::stream(seed, TOPIC, 0);
        let mut architectures: Vec<String> = Vec::new();
        for chip in &catalogue.chips {
            if !architectures.contains(&chip.architecture) {
                architectures.push(chip.architecture.clone());
            }
        }
        let family = catalogue
            .cards
            .iter()
            .map(|card| {
                let chip = catalogue.chips.iter().find(|c| c.id == card.chip);
                let name = chip.map_or("", |c| c.architecture.as_str());
                architectures.iter().position(|a| a == name).unwrap_or(0)
            })
            .collect();
        let families = architectures.len();
        let cards = catalogue.cards.len();
        let workloads = &catalogue.workloads;
        let per_workload = |random: &mut Random, mean: f64, sd: f64, low: f64, high: f64| -> Vec<f64> {
            workloads.iter().map(|_| (mean + sd * random.normal()).clamp(low, high)).collect()
        };
        let kind = |w: &Workload| if w.kind == WorkloadKind::Multiplayer { 0.32 } else { 0.0 };
        let workload: Vec<f64> =
            workloads.iter().map(|w| kind(w) + (0.26 * random.normal()).clamp(-0.6, 0.6)).collect();
        let workload_cpu: Vec<f64> = workload.iter().map(|w| 0.7 * w + 0.22 * random.normal()).collect();
        let base_exponent = per_workload(random, 0.74, 0.08, 0.5, 0.95);
        let (softest, sharpest) = given.nature.sharpness;
        let mut truth = Truth {
            seed,
            nature: given.nature,
            steps: Vec::new(),
            popularity: given.popularity,
            card: given.fps.iter().map(|fps| libm::log(*fps)).collect(),
            family,
            family_workload: workloads.iter().map(|_| normals(random, families, 0.05)).collect(),
            card_workload: (0..cards).map(|_| normals(random, workloads.len(), 0.035)).collect(),
            preset: workloads.iter().map(|w| presets(random, w)).collect(),
            exponent: base_exponent
                .iter()
                .map(|a| normals(random, families, 0.025).iter().map(|d| a + d).collect())
                .collect(),
            api: workloads
                .iter()
                .map(|w| (0..families).map(|_| apis(random, w.apis.len())).collect())
                .collect(),
            scene: workloads.iter().map(|w| scenes(random, w)).collect(),
            build: workloads.iter().map(|w| walk(random, w.builds.len(), 0.018)).collect(),
            cpu: catalogue.cpus.iter().map(|c| libm::log(rate(CPU_FPS, &c.id))).collect(),
            cpu_workload: catalogue.cpus.iter().map(|_| normals(random, workloads.len(), 0.035)).collect(),
            single_channel: per_workload(random, -0.15, 0.05, -0.3, -0.04),
            preset_cpu: per_workload(random, -0.03, 0.02, -0.08, 0.0),
            sharpness: workloads.iter().map(|_| random.between(softest, sharpest)).collect(),
            memory_need_mib: workloads.iter().map(|w| memory(random, w)).collect(),
            driver: Vec::new(),
            workload,
            workload_cpu,
            architectures,
            catalogue,
        };
        truth.steps = (given.steps)(seed, &truth);
        truth.driver = truth.draw_drivers(random);
        truth
    }

    /// Small drifts of every release by family and by workload, and the planted changes, summed along
    /// the releases that support the family.
    fn draw_drivers(&self, random: &mut Random) -> Vec<Vec<Vec<f64>>> {
        let workloads = &self.catalogue.workloads;
        let none = vec![vec![0.0; workloads.len()]; self.architectures.len()];
        let mut effects = vec![none; self.catalogue.drivers.len()];
        for (family, architecture) in self.architectures.iter().enumerate() {
            let mut now: Option<Vec<f64>> = None;
            for driver in self.releases_of(architecture) {
                let drift = 0.004 * random.normal();
                let id = &self.catalogue.drivers[driver].id;
                let next = match now {
                    None => vec![0.0; workloads.len()],
                    Some(before) => (0..workloads.len())
                        .map(|w| {
                            let planted: f64 = CHANGES
                                .iter()
                                .filter(|c| c.driver == id && c.architecture == architecture)
                                .filter(|c| c.workload.is_none_or(|only| only == workloads[w].id))
                                .map(|c| libm::log(1.0 + c.by))
                                .sum();
                            let of_world: f64 = self
                                .steps
                                .iter()
                                .filter(|s| s.driver == driver && s.family == family && s.workload == w)
                                .map(|s| libm::log(1.0 + s.by))
                                .sum();
                            before[w] + drift + 0.006 * random.heavy() + planted + of_world
                        })
                        .collect(),
                };
                effects[driver][family].clone_from(&next);
                now = Some(next);
            }
        }
        effects
    }

    /// Releases that support an architecture, oldest first.
    pub(crate) fn releases_of(&self, architecture: &str) -> Vec<usize> {
        let chips: Vec<&String> =
            self.catalogue.chips.iter().filter(|c| c.architecture == architecture).map(|c| &c.id).collect();
        let drivers = &self.catalogue.drivers;
        let mut releases: Vec<usize> =
            (0..drivers.len()).filter(|&d| chips.iter().any(|c| drivers[d].chips.contains(c))).collect();
        releases.sort_by_key(|&d| (drivers[d].date, d));
        releases
    }

    /// A planted failure of a situation, if its release has one.
    pub(crate) fn failure(&self, s: &Situation) -> Option<Outcome> {
        let architecture = self.architecture(s.card);
        let workload = &self.catalogue.workloads[s.workload].id;
        let order = self.releases_of(architecture);
        let place = |id: &str| order.iter().position(|&d| self.catalogue.drivers[d].id == id);
        let now = order.iter().position(|&d| d == s.driver)?;
        FAILURES
            .iter()
            .filter(|f| f.architecture == architecture && f.workload == workload)
            .find(|f| {
                place(f.first).is_some_and(|first| now >= first)
                    && f.fixed.and_then(place).is_none_or(|fixed| now < fixed)
            })
            .map(|f| f.outcome)
    }

    /// A cell's own departure from every sum of effects.
    pub(super) fn lack_of_fit(&self, cell: [u64; 4]) -> f64 {
        let mixed = cell.iter().fold(0u64, |sum, part| sum.wrapping_mul(1_000_003).wrapping_add(*part));
        self.nature.lack_of_fit * Random::stream(self.seed, LACK_OF_FIT_TOPIC, mixed).normal()
    }
}

/// Effects along the presets; the last but one, `High` or `Medium`, is the reference.
fn presets(random: &mut Random, workload: &Workload) -> Vec<f64> {
    let count = workload.presets.len();
    let mut effects = vec![0.0; count];
    for at in (0..count.saturating_sub(2)).rev() {
        effects[at] = effects[at + 1] + random.between(0.2, 0.42);
    }
    if count > 1 {
        effects[count - 1] = -random.between(0.18, 0.38);
    }
    effects
}

fn apis(random: &mut Random, count: usize) -> Vec<f64> {
    let mut effects = normals(random, count, 0.06);
    if let Some(first) = effects.first_mut() {
        *first = 0.0;
    }
    effects
}

/// Effects of the scenes; a live match runs at about four fifths of the practice area (common
/// practice).
fn scenes(random: &mut Random, workload: &Workload) -> Vec<f64> {
    workload
        .scenes
        .iter()
        .enumerate()
        .map(|(at, scene)| match scene.kind {
            SceneKind::LiveMatch => libm::log(0.8) + 0.03 * random.normal(),
            _ if at == 0 => 0.0,
            SceneKind::PracticeArea => 0.03 * random.normal(),
            _ => 0.1 * random.normal(),
        })
        .collect()
}

fn walk(random: &mut Random, count: usize, sd: f64) -> Vec<f64> {
    let mut now = 0.0;
    (0..count)
        .map(|at| {
            if at > 0 {
                now += sd * random.normal();
            }
            now
        })
        .collect()
}

/// Card memory wanted per preset at 1920x1080, MiB.
fn memory(random: &mut Random, workload: &Workload) -> Vec<f64> {
    let high = random.between(850.0, 2900.0);
    let count = workload.presets.len();
    (0..count)
        .map(|at| {
            let steps = at as f64 - (count as f64 - 2.0);
            high * libm::exp(if steps > 0.0 { 0.4 } else { 0.36 * steps })
        })
        .collect()
}
