//! What is really so in the invented world: how fast each card is, what each driver release changed,
//! where a processor or a small memory holds a card back. Contributors measure it with noise.
//!
//! The form resembles what a judge would assume (a logarithmic model with a soft ceiling by the
//! processor) but is not that: the ceiling is of differing softness, the exponents differ by family,
//! cells lack fit, memory has cliffs, systems differ, and errors have heavy tails.

pub(crate) mod draw;
mod planted;

use wearmark_core::catalogue::CatalogueDocument;

use crate::nature::Nature;

pub use planted::{CHANGES, Change, FAILURES, Failure};

/// A configuration on a driver release, by catalogue ids and words.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Cell<'a> {
    /// Card id.
    pub card: &'a str,
    /// Driver release id.
    pub driver: &'a str,
    /// Workload id.
    pub workload: &'a str,
    /// Scene id.
    pub scene: &'a str,
    /// Build of the workload; none for the first one.
    pub build: Option<&'a str>,
    /// Graphics API.
    pub api: &'a str,
    /// Preset.
    pub preset: &'a str,
    /// Width, pixels.
    pub width: u32,
    /// Height, pixels.
    pub height: u32,
}

/// The same by position in the catalogue: what the generator works with.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub(crate) struct Situation {
    pub(crate) card: usize,
    pub(crate) driver: usize,
    pub(crate) workload: usize,
    pub(crate) scene: usize,
    pub(crate) build: usize,
    pub(crate) api: usize,
    pub(crate) preset: usize,
    pub(crate) width: u32,
    pub(crate) height: u32,
}

/// The processor's side of a bench and what is peculiar to it. Effects in logs.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Platform {
    pub(crate) cpu: usize,
    pub(crate) single_channel: bool,
    pub(crate) ceiling: f64,
}

/// A change of one release on one architecture and workload, by position.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Step {
    pub(crate) driver: usize,
    pub(crate) family: usize,
    pub(crate) workload: usize,
    /// Change of the frame rate against the release before, as a share.
    pub(crate) by: f64,
}

/// The truth of a world. All effects are natural logarithms of factors on the frame rate.
#[derive(Debug, Clone)]
pub struct Truth {
    pub(crate) catalogue: CatalogueDocument,
    seed: u64,
    pub(crate) nature: Nature,
    /// Changes planted beside those that every world has.
    pub(crate) steps: Vec<Step>,
    /// Per card: how many have it, relative to the others.
    pub(crate) popularity: Vec<f64>,
    /// Per card: ln fps on the average workload, preset `High`, 1920x1080.
    card: Vec<f64>,
    /// Per card: position of its architecture in `architectures`.
    family: Vec<usize>,
    pub(crate) architectures: Vec<String>,
    workload: Vec<f64>,
    /// By workload, then family.
    family_workload: Vec<Vec<f64>>,
    /// By card, then workload.
    card_workload: Vec<Vec<f64>>,
    /// By workload, then preset.
    preset: Vec<Vec<f64>>,
    /// By workload, then family.
    exponent: Vec<Vec<f64>>,
    /// By workload, then family, then API.
    api: Vec<Vec<Vec<f64>>>,
    /// By workload, then scene.
    scene: Vec<Vec<f64>>,
    /// By workload, then build.
    build: Vec<Vec<f64>>,
    cpu: Vec<f64>,
    workload_cpu: Vec<f64>,
    /// By processor, then workload.
    cpu_workload: Vec<Vec<f64>>,
    single_channel: Vec<f64>,
    preset_cpu: Vec<f64>,
    sharpness: Vec<f64>,
    /// By workload, then preset: card memory wanted at 1920x1080, MiB.
    memory_need_mib: Vec<Vec<f64>>,
    /// By release, then family, then workload; cumulative along the family's releases.
    driver: Vec<Vec<Vec<f64>>>,
}

/// Natural logarithm of the pixels of 1920x1080, the reference resolution.
fn ln_pixels(width: u32, height: u32) -> f64 {
    libm::log(f64::from(width) * f64::from(height) / (1920.0 * 1080.0))
}

impl Truth {
    /// Changes that the world's makers planted, on top of small drifts everywhere.
    pub fn changes(&self) -> &'static [Change] {
        CHANGES
    }

    /// Failures that they planted.
    pub fn failures(&self) -> &'static [Failure] {
        FAILURES
    }

    /// ln of what a driver release does to a workload on a card, counted from the oldest release that
    /// supports the card; none when something is unknown or unsupported.
    pub fn driver_effect_ln(&self, card: &str, driver: &str, workload: &str) -> Option<f64> {
        let card = self.catalogue.cards.iter().position(|c| c.id == card)?;
        let driver = self.catalogue.drivers.iter().position(|d| d.id == driver)?;
        let workload = self.catalogue.workloads.iter().position(|w| w.id == workload)?;
        self.supports(driver, card).then(|| self.driver[driver][self.family[card]][workload])
    }

    /// The true index of a release on a card, the reference release at 100: the geometric mean over
    /// all workloads. None when something is unknown or unsupported.
    pub fn index(&self, card: &str, driver: &str, reference: &str) -> Option<f64> {
        let mut sum = 0.0;
        for workload in &self.catalogue.workloads {
            sum += self.driver_effect_ln(card, driver, &workload.id)?
                - self.driver_effect_ln(card, reference, &workload.id)?;
        }
        Some(100.0 * libm::exp(sum / self.catalogue.workloads.len() as f64))
    }

    /// ln fps of a cell when nothing but the card limits it, on a bench without peculiarities; none
    /// when something is unknown or unsupported.
    pub fn cell_ln_fps(&self, cell: &Cell<'_>) -> Option<f64> {
        let situation = self.situation(cell)?;
        Some(self.card_limit(&situation) + self.attributes(&situation))
    }

    /// ln fps of a cell with a processor in two channels behind it, on a bench without peculiarities.
    pub fn cell_ln_fps_on(&self, cell: &Cell<'_>, cpu: &str) -> Option<f64> {
        let situation = self.situation(cell)?;
        let cpu = self.catalogue.cpus.iter().position(|c| c.id == cpu)?;
        Some(self.expected(&situation, &Platform { cpu, single_channel: false, ceiling: 0.0 }))
    }

    fn situation(&self, cell: &Cell<'_>) -> Option<Situation> {
        let card = self.catalogue.cards.iter().position(|c| c.id == cell.card)?;
        let driver = self.catalogue.drivers.iter().position(|d| d.id == cell.driver)?;
        let workload = self.catalogue.workloads.iter().position(|w| w.id == cell.workload)?;
        let entry = &self.catalogue.workloads[workload];
        let situation = Situation {
            card,
            driver,
            workload,
            scene: entry.scenes.iter().position(|s| s.id == cell.scene)?,
            build: match cell.build {
                Some(build) => entry.builds.iter().position(|b| b.build == build)?,
                None => 0,
            },
            api: entry.apis.iter().position(|a| a == cell.api)?,
            preset: entry.presets.iter().position(|p| p == cell.preset)?,
            width: cell.width,
            height: cell.height,
        };
        self.supports(driver, card).then_some(situation)
    }

    /// ln of how much faster a card is than the average one.
    pub(crate) fn beyond_average(&self, card: usize) -> f64 {
        self.card[card] - self.card.iter().sum::<f64>() / self.card.len() as f64
    }

    /// Whether a release supports a card.
    pub(crate) fn supports(&self, driver: usize, card: usize) -> bool {
        self.catalogue.drivers[driver].chips.contains(&self.catalogue.cards[card].chip)
    }

    /// Position of the chip of a card.
    pub(crate) fn chip(&self, card: usize) -> usize {
        let wanted = &self.catalogue.cards[card].chip;
        self.catalogue.chips.iter().position(|c| c.id == *wanted).unwrap_or(0)
    }

    /// Architecture of a card.
    pub(crate) fn architecture(&self, card: usize) -> &str {
        &self.architectures[self.family[card]]
    }

    /// What the card alone would reach, driver and build aside.
    pub(crate) fn card_limit(&self, s: &Situation) -> f64 {
        let family = self.family[s.card];
        let height_px = ln_pixels(s.width, s.height);
        let cell = [s.card as u64, s.workload as u64, s.preset as u64, u64::from(s.height)];
        self.card[s.card]
            + self.workload[s.workload]
            + self.family_workload[s.workload][family]
            + self.card_workload[s.card][s.workload]
            + self.preset[s.workload][s.preset]
            + self.api[s.workload][family][s.api]
            + self.scene[s.workload][s.scene]
            - self.exponent[s.workload][family] * height_px
            - self.memory_loss(s)
            + self.lack_of_fit(cell)
    }

    /// Card memory that a situation wants, MiB.
    pub(crate) fn memory_need_mib(&self, s: &Situation) -> f64 {
        self.memory_need_mib[s.workload][s.preset] * (0.72 + 0.28 * libm::exp(ln_pixels(s.width, s.height)))
    }

    /// What a memory too small costs: a cliff at the size, then a slope, at most a third of the rate
    /// or so.
    pub(crate) fn memory_loss(&self, s: &Situation) -> f64 {
        let over = self.memory_need_mib(s) / self.catalogue.cards[s.card].memory_mib as f64 - 1.0;
        if over <= 0.0 { 0.0 } else { (0.10 + 0.35 * over).min(0.45) }
    }

    /// Driver and build.
    fn attributes(&self, s: &Situation) -> f64 {
        self.driver[s.driver][self.family[s.card]][s.workload] + self.build[s.workload][s.build]
    }

    /// What the processor would allow.
    fn ceiling(&self, s: &Situation, platform: &Platform) -> f64 {
        let channel = if platform.single_channel { self.single_channel[s.workload] } else { 0.0 };
        self.cpu[platform.cpu]
            + self.workload_cpu[s.workload]
            + self.cpu_workload[platform.cpu][s.workload]
            + self.preset_cpu[s.workload] * s.preset as f64
            + 1.1 * self.scene[s.workload][s.scene]
            + channel
            + platform.ceiling
    }

    /// ln fps to be expected, noise and the peculiarities of bench and card aside.
    pub(crate) fn expected(&self, s: &Situation, platform: &Platform) -> f64 {
        let card = self.card_limit(s) + self.attributes(s);
        let cpu = self.ceiling(s, platform);
        let p = self.sharpness[s.workload];
        let low = card.min(cpu);
        low - libm::log(libm::exp(-p * (card - low)) + libm::exp(-p * (cpu - low))) / p
    }

    /// How much of a small change of the card's rate shows in the figure, from 0 to 1.
    pub(crate) fn card_share(&self, s: &Situation, platform: &Platform) -> f64 {
        let gap = self.card_limit(s) + self.attributes(s) - self.ceiling(s, platform);
        1.0 / (1.0 + libm::exp(self.sharpness[s.workload] * gap))
    }
}
