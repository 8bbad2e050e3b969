//! The machine that a run was measured on, as its contributor describes it.

use serde::{Deserialize, Serialize};

use super::Extensions;

/// One contributor's test machine.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Bench {
    /// The contributor's own word for it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub name: Option<String>,
    /// Processor.
    pub cpu: CpuClaim,
    /// Main memory.
    pub memory: MemoryClaim,
    /// Mainboard, in the contributor's words.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub board: Option<String>,
    /// Operating system.
    pub os: OsClaim,
    /// The slot the card sits in.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub pcie: Option<PcieClaim>,
    /// Rating of the power supply, watts.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub power_supply_w: Option<f64>,
    /// Extension fields.
    #[serde(flatten)]
    pub extensions: Extensions,
}

/// The processor of a bench.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct CpuClaim {
    /// Catalogue id or name.
    pub model: String,
    /// Physical cores in use.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub cores: Option<u32>,
}

/// The main memory of a bench.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct MemoryClaim {
    /// Size in MiB.
    pub size_mib: u64,
    /// Type, in the spelling of SMBIOS (DSP0134, table of memory device types), for example `DDR4`.
    #[serde(rename = "type", default, skip_serializing_if = "Option::is_none")]
    pub kind: Option<String>,
    /// Channels populated.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub channels: Option<u32>,
    /// Transfers per second in millions (MT/s).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub speed_mts: Option<f64>,
}

/// Operating system of a bench.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct OsClaim {
    /// Name without version.
    pub name: String,
    /// Version.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub version: Option<String>,
}

/// PCI Express link of the card.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct PcieClaim {
    /// Generation (1, 2, 3, ...).
    pub generation: u32,
    /// Lanes.
    pub lanes: u32,
}

impl MemoryClaim {
    /// Peak bandwidth of the populated channels, GB/s: channels x 8 bytes x MT/s / 1000
    /// (64-bit channels; JEDEC arithmetic, for example 2 x 8 x 1600 = 25.6 GB/s).
    pub fn bandwidth_gb_s(&self) -> Option<f64> {
        Some(f64::from(self.channels?) * 8.0 * self.speed_mts? / 1000.0)
    }
}
