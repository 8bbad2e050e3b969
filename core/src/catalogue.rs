//! The catalogue: what is known of chips, cards, driver releases, processors and workloads.
//! It is data; this module only holds it and finds things in it by id, name, alias or PCI id.

mod spelling;

use std::collections::HashMap;

use chrono::NaiveDate;
use serde::{Deserialize, Serialize};

use crate::run::SceneKind;

pub use spelling::normalise;

/// A vendor and device id pair of PCI, each `0x` and four hex digits.
#[derive(Debug, Clone, PartialEq, Eq, Hash, Serialize, Deserialize)]
pub struct PciId {
    /// PCI vendor id.
    pub vendor: String,
    /// PCI device id.
    pub device: String,
}

/// Whether a part is sold for desktop slots or soldered into portable machines.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Form {
    /// A card in a slot.
    Desktop,
    /// A part of a portable machine.
    Mobile,
}

/// A graphics processor.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Chip {
    /// Catalogue id.
    pub id: String,
    /// Name.
    pub name: String,
    /// Other spellings.
    #[serde(default)]
    pub aliases: Vec<String>,
    /// Maker, also the vendor of its drivers.
    pub vendor: String,
    /// Architecture (family) name.
    pub architecture: String,
    /// PCI ids it answers with.
    #[serde(default)]
    pub pci_ids: Vec<PciId>,
    /// PCI Express generation of the chip.
    pub pcie_generation: u32,
    /// PCI Express lanes of the chip.
    pub pcie_lanes: u32,
    /// Graphics APIs it can run, each as written in `settings.api`.
    pub apis: Vec<String>,
}

/// A product built on a chip with a given memory size.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Card {
    /// Catalogue id.
    pub id: String,
    /// Name.
    pub name: String,
    /// Other spellings.
    #[serde(default)]
    pub aliases: Vec<String>,
    /// Chip id.
    pub chip: String,
    /// Desktop or mobile part.
    pub form: Form,
    /// Card memory, MiB.
    pub memory_mib: u64,
    /// Memory type, for example `GDDR5`.
    pub memory_type: String,
    /// Width of the memory bus, bits.
    pub bus_width_bits: u32,
    /// Rated board power, watts.
    pub board_power_w: f64,
    /// First day of sale.
    pub launch_date: NaiveDate,
}

/// A driver release. Two builds of one version are two releases.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct DriverRelease {
    /// Catalogue id.
    pub id: String,
    /// Vendor, as in `chip.vendor`.
    pub vendor: String,
    /// Version.
    pub version: String,
    /// Build, where one version has several.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub build: Option<String>,
    /// Branch, for example `current` or `legacy`.
    pub branch: String,
    /// Day of release.
    pub date: NaiveDate,
    /// Chips it supports, by id.
    pub chips: Vec<String>,
    /// Operating systems it supports, by name.
    pub systems: Vec<String>,
}

/// A memory type a processor can use.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct MemorySupport {
    /// Type in the spelling of SMBIOS, for example `DDR4`.
    #[serde(rename = "type")]
    pub kind: String,
    /// Top rated transfer rate, MT/s. Faster memory runs by overclocking, so it is no hard limit.
    pub top_speed_mts: f64,
}

/// A processor.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Cpu {
    /// Catalogue id.
    pub id: String,
    /// Name.
    pub name: String,
    /// Other spellings.
    #[serde(default)]
    pub aliases: Vec<String>,
    /// Physical cores.
    pub cores: u32,
    /// Memory it can use.
    pub memory: Vec<MemorySupport>,
    /// Memory channels.
    pub memory_channels: u32,
    /// PCI Express generation of its graphics slot.
    pub pcie_generation: u32,
    /// PCI Express lanes of its graphics slot.
    pub pcie_lanes: u32,
    /// First day of sale.
    pub launch_date: NaiveDate,
}

/// What a workload is played like; decides the default target.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum WorkloadKind {
    /// One player: target 30 fps on the 1% low.
    SinglePlayer,
    /// Against others: target 60 fps on the 1% low.
    Multiplayer,
}

impl WorkloadKind {
    /// The word used in documents and tables.
    pub fn as_str(self) -> &'static str {
        match self {
            WorkloadKind::SinglePlayer => "single-player",
            WorkloadKind::Multiplayer => "multiplayer",
        }
    }
}

/// A measured stretch of a workload.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Scene {
    /// Catalogue id, unique within the workload.
    pub id: String,
    /// Name.
    pub name: String,
    /// Other spellings.
    #[serde(default)]
    pub aliases: Vec<String>,
    /// What kind of stretch it is.
    pub kind: SceneKind,
}

/// One version of a workload.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct WorkloadBuild {
    /// Version as the program shows it.
    pub build: String,
    /// Day of release.
    pub date: NaiveDate,
}

/// A game or test program.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Workload {
    /// Catalogue id.
    pub id: String,
    /// Title.
    pub title: String,
    /// Other spellings.
    #[serde(default)]
    pub aliases: Vec<String>,
    /// Single-player or multiplayer.
    pub kind: WorkloadKind,
    /// Graphics APIs it can use.
    pub apis: Vec<String>,
    /// Presets, lightest first.
    pub presets: Vec<String>,
    /// Scenes.
    pub scenes: Vec<Scene>,
    /// Builds, oldest first; empty when not tracked.
    #[serde(default)]
    pub builds: Vec<WorkloadBuild>,
}

/// Everything known, as one document: the form of an import file and of the seed data.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct CatalogueDocument {
    /// Chips.
    #[serde(default)]
    pub chips: Vec<Chip>,
    /// Cards.
    #[serde(default)]
    pub cards: Vec<Card>,
    /// Driver releases.
    #[serde(default)]
    pub drivers: Vec<DriverRelease>,
    /// Processors.
    #[serde(default)]
    pub cpus: Vec<Cpu>,
    /// Workloads with their scenes.
    #[serde(default)]
    pub workloads: Vec<Workload>,
}

/// The catalogue with its look-up tables.
#[derive(Debug, Clone, Default)]
pub struct Catalogue {
    document: CatalogueDocument,
    chips: HashMap<String, usize>,
    cards: HashMap<String, usize>,
    cpus: HashMap<String, usize>,
    workloads: HashMap<String, usize>,
    drivers: HashMap<String, usize>,
    versions: HashMap<(String, String), Vec<usize>>,
    /// Chips by the PCI ids they answer with.
    pci: HashMap<PciId, usize>,
    /// Chips by PCI vendor id: who the vendor ids belong to.
    pci_vendors: HashMap<String, Vec<usize>>,
}

impl PciId {
    /// The same pair in the spelling under which pairs are compared.
    fn key(&self) -> PciId {
        PciId { vendor: self.vendor.to_lowercase(), device: self.device.to_lowercase() }
    }
}

fn index<'a, T>(
    items: &'a [T],
    spellings: impl Fn(&'a T) -> (&'a str, &'a str, &'a [String]),
) -> HashMap<String, usize> {
    let mut map = HashMap::new();
    for (at, item) in items.iter().enumerate() {
        let (id, name, aliases) = spellings(item);
        map.insert(normalise(id), at);
        map.entry(normalise(name)).or_insert(at);
        for alias in aliases {
            map.entry(normalise(alias)).or_insert(at);
        }
    }
    map
}

impl Catalogue {
    /// Indexes a document. Ids win over names and aliases; the first of equal names wins.
    pub fn new(document: CatalogueDocument) -> Catalogue {
        let mut versions: HashMap<(String, String), Vec<usize>> = HashMap::new();
        for (at, d) in document.drivers.iter().enumerate() {
            versions.entry((normalise(&d.vendor), normalise(&d.version))).or_default().push(at);
        }
        let mut pci = HashMap::new();
        let mut pci_vendors: HashMap<String, Vec<usize>> = HashMap::new();
        for (at, id) in
            document.chips.iter().enumerate().flat_map(|(at, c)| c.pci_ids.iter().map(move |i| (at, i)))
        {
            let chips = pci_vendors.entry(id.key().vendor).or_default();
            if chips.last() != Some(&at) {
                chips.push(at);
            }
            pci.entry(id.key()).or_insert(at);
        }
        Catalogue {
            chips: index(&document.chips, |c| (&c.id, &c.name, &c.aliases)),
            cards: index(&document.cards, |c| (&c.id, &c.name, &c.aliases)),
            cpus: index(&document.cpus, |c| (&c.id, &c.name, &c.aliases)),
            workloads: index(&document.workloads, |w| (&w.id, &w.title, &w.aliases)),
            drivers: document.drivers.iter().enumerate().map(|(at, d)| (d.id.clone(), at)).collect(),
            versions,
            pci,
            pci_vendors,
            document,
        }
    }

    /// The document it was made from.
    pub fn document(&self) -> &CatalogueDocument {
        &self.document
    }

    /// A chip by id, name or alias.
    pub fn chip(&self, label: &str) -> Option<&Chip> {
        self.chips.get(&normalise(label)).map(|&at| &self.document.chips[at])
    }

    /// A card by id, name or alias.
    pub fn card(&self, label: &str) -> Option<&Card> {
        self.cards.get(&normalise(label)).map(|&at| &self.document.cards[at])
    }

    /// A processor by id, name or alias.
    pub fn cpu(&self, label: &str) -> Option<&Cpu> {
        self.cpus.get(&normalise(label)).map(|&at| &self.document.cpus[at])
    }

    /// A workload by id, title or alias.
    pub fn workload(&self, label: &str) -> Option<&Workload> {
        self.workloads.get(&normalise(label)).map(|&at| &self.document.workloads[at])
    }

    /// A driver release by its catalogue id.
    pub fn driver(&self, id: &str) -> Option<&DriverRelease> {
        self.drivers.get(id).map(|&at| &self.document.drivers[at])
    }

    /// All releases of that vendor and version (several when one version has several builds).
    pub fn driver_versions(&self, vendor: &str, version: &str) -> Vec<&DriverRelease> {
        self.versions
            .get(&(normalise(vendor), normalise(version)))
            .into_iter()
            .flatten()
            .map(|&at| &self.document.drivers[at])
            .collect()
    }

    /// The chip that answers with a PCI id.
    pub fn chip_of_pci(&self, id: &PciId) -> Option<&Chip> {
        self.pci.get(&id.key()).map(|&at| &self.document.chips[at])
    }

    /// The chips with PCI ids of a PCI vendor.
    pub fn chips_of_pci_vendor(&self, vendor: &str) -> impl Iterator<Item = &Chip> {
        self.pci_vendors.get(&vendor.to_lowercase()).into_iter().flatten().map(|&at| &self.document.chips[at])
    }

    /// All releases of a driver vendor.
    pub fn drivers_of(&self, vendor: &str) -> impl Iterator<Item = &DriverRelease> {
        let vendor = normalise(vendor);
        self.document.drivers.iter().filter(move |d| normalise(&d.vendor) == vendor)
    }

    /// All cards on a chip.
    pub fn cards_of_chip(&self, chip: &str) -> impl Iterator<Item = &Card> {
        self.document.cards.iter().filter(move |c| c.chip == chip)
    }
}

impl Workload {
    /// A build by its version.
    pub fn build(&self, version: &str) -> Option<&WorkloadBuild> {
        let wanted = normalise(version);
        self.builds.iter().find(|b| normalise(&b.build) == wanted)
    }

    /// A preset in the catalogue's spelling.
    pub fn preset(&self, name: &str) -> Option<&str> {
        let wanted = normalise(name);
        self.presets.iter().find(|p| normalise(p) == wanted).map(String::as_str)
    }

    /// A scene by id, name or alias.
    pub fn scene(&self, label: &str) -> Option<&Scene> {
        let wanted = normalise(label);
        self.scenes.iter().find(|s| {
            normalise(&s.id) == wanted
                || normalise(&s.name) == wanted
                || s.aliases.iter().any(|a| normalise(a) == wanted)
        })
    }
}
