//! A run as its contributor claims it. The wire form is `schema/documents/run.v1.json`; these
//! types mirror it field by field. Nothing here has been checked against anything yet.

mod bench;

use std::collections::BTreeMap;

use chrono::{DateTime, NaiveDate, Utc};
use serde::{Deserialize, Serialize};
use serde_json::Value;

pub use bench::{Bench, CpuClaim, MemoryClaim, OsClaim, PcieClaim};

/// Free extension fields (`x-...`), kept as they came.
pub type Extensions = BTreeMap<String, Value>;

/// One submission: card x driver x workload scene and build x settings x bench, in passes.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Run {
    /// Version of the document, `run/1`.
    pub schema: String,
    /// When the first pass was measured, UTC.
    pub measured_at: DateTime<Utc>,
    /// The test machine, inline or by reference.
    pub bench: BenchClaim,
    /// The card as claimed.
    pub card: CardClaim,
    /// The driver as claimed.
    pub driver: DriverClaim,
    /// The game or test program as claimed.
    pub workload: WorkloadClaim,
    /// What was set.
    pub settings: Settings,
    /// Whether the run finished; a failure is data too.
    pub outcome: Outcome,
    /// The captures, in the order they were taken; may be empty only when the outcome is a failure.
    #[serde(default)]
    pub passes: Vec<Pass>,
    /// Readings over the whole run.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub telemetry: Option<Telemetry>,
    /// What captured the frame times, in the contributor's words.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub capture_tool: Option<String>,
    /// Anything else worth saying.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub notes: Option<String>,
    /// Extension fields.
    #[serde(flatten)]
    pub extensions: Extensions,
}

/// Either a bench described in place or one the service already knows.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(untagged)]
pub enum BenchClaim {
    /// `{"id": "..."}`: one of the contributor's own benches, as answered to an earlier submission.
    Reference {
        /// The bench id.
        id: String,
    },
    /// The bench in full.
    Inline(Box<Bench>),
}

/// The card as claimed: a catalogue id, or a name, and what the contributor could read off it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct CardClaim {
    /// Catalogue id.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub id: Option<String>,
    /// Name, when the id is not known.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub name: Option<String>,
    /// PCI vendor id, `0x` and four hex digits.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub pci_vendor_id: Option<String>,
    /// PCI device id, `0x` and four hex digits.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub pci_device_id: Option<String>,
    /// PCI subsystem id, `0x` and eight hex digits (device, then vendor).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub pci_subsystem_id: Option<String>,
    /// Card memory, MiB.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub memory_mib: Option<u64>,
    /// A vendor's version of the card.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub variant: Option<String>,
    /// Core clock if it was changed, MHz.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub core_clock_mhz: Option<f64>,
    /// Memory clock if it was changed, MHz.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub memory_clock_mhz: Option<f64>,
    /// Power limit if it was changed, watts.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub power_limit_w: Option<f64>,
}

impl CardClaim {
    /// The claimed id, else the claimed name.
    pub fn label(&self) -> &str {
        self.id.as_deref().or(self.name.as_deref()).unwrap_or("")
    }
}

/// The driver as claimed.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct DriverClaim {
    /// Who made it.
    pub vendor: String,
    /// Version as the driver reports it.
    pub version: String,
    /// Branch, for example `current` or `legacy`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub branch: Option<String>,
    /// Build or package where one version has several.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub build: Option<String>,
    /// Date of the release.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub date: Option<NaiveDate>,
}

/// The workload as claimed.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct WorkloadClaim {
    /// Catalogue id or title.
    pub title: String,
    /// The program's version.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub build: Option<String>,
    /// The stretch that was measured.
    pub scene: SceneClaim,
}

/// The measured stretch of a workload.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct SceneClaim {
    /// Catalogue id or name of the scene.
    pub name: String,
    /// What kind of stretch it is.
    pub kind: SceneKind,
}

/// What kind of stretch a scene is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum SceneKind {
    /// The program measures itself along a fixed path.
    BuiltInTest,
    /// A path that every run repeats, walked by a script or by hand.
    ScriptedPath,
    /// A practice area of a multiplayer game, without the load of a live match.
    PracticeArea,
    /// A match with other people.
    LiveMatch,
    /// Ordinary play.
    FreePlay,
}

impl SceneKind {
    /// The word used in documents and tables.
    pub fn as_str(self) -> &'static str {
        match self {
            SceneKind::BuiltInTest => "built-in-test",
            SceneKind::ScriptedPath => "scripted-path",
            SceneKind::PracticeArea => "practice-area",
            SceneKind::LiveMatch => "live-match",
            SceneKind::FreePlay => "free-play",
        }
    }
}

/// What was set in the program.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Settings {
    /// Graphics API and its version, in the contributor's words.
    pub api: String,
    /// Name of the preset.
    pub preset: String,
    /// Output width, pixels.
    pub width: u32,
    /// Output height, pixels.
    pub height: u32,
    /// Render scale per axis, 1 is native.
    #[serde(default = "one", skip_serializing_if = "is_one")]
    pub render_scale: f64,
    /// Upscaler and its mode; absent means none.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub upscaler: Option<String>,
    /// Anti-aliasing; absent means what the preset sets.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub anti_aliasing: Option<String>,
    /// Whether vertical sync was on; absent means off.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub vertical_sync: bool,
    /// Frame cap, frames per second; absent means none.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub frame_cap_fps: Option<f64>,
}

fn one() -> f64 {
    1.0
}

#[expect(clippy::trivially_copy_pass_by_ref, reason = "serde's skip_serializing_if passes a reference")]
fn is_one(scale: &f64) -> bool {
    *scale == 1.0
}

/// How a run ended.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Outcome {
    /// It ran to the end and looked right.
    Completed,
    /// The program did not reach the scene.
    DidNotStart,
    /// It stopped on the way.
    Crashed,
    /// It ran but drew wrongly.
    RenderingFault,
}

impl Outcome {
    /// The word used in documents and tables.
    pub fn as_str(self) -> &'static str {
        match self {
            Outcome::Completed => "completed",
            Outcome::DidNotStart => "did-not-start",
            Outcome::Crashed => "crashed",
            Outcome::RenderingFault => "rendering-fault",
        }
    }

    /// The outcome a stored word stands for.
    pub fn parse(word: &str) -> Option<Outcome> {
        [Outcome::Completed, Outcome::DidNotStart, Outcome::Crashed, Outcome::RenderingFault]
            .into_iter()
            .find(|o| o.as_str() == word)
    }
}

/// One continuous capture: frame times, or a summary, or both (then they must agree).
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct Pass {
    /// Frame times in milliseconds, in order. Absent when only a summary exists.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub frame_times_ms: Option<Vec<f64>>,
    /// What another program says of the pass.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub summary: Option<PassSummary>,
    /// When the pass began, UTC.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub started_at: Option<DateTime<Utc>>,
    /// Length of the pass by a clock, seconds.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub length_s: Option<f64>,
    /// Readings over the pass.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub telemetry: Option<Telemetry>,
}

/// Figures of a pass as another program gave them.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct PassSummary {
    /// Frames over time, frames per second.
    pub mean_fps: f64,
    /// Frames counted.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub frames: Option<u64>,
    /// Length, seconds.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub length_s: Option<f64>,
    /// 1% low with the definition it was computed by.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub one_percent_low: Option<NamedLow>,
}

/// A 1% low and what it means.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct NamedLow {
    /// Which of the three definitions in trade use.
    pub definition: LowDefinition,
    /// Frames per second.
    pub fps: f64,
}

/// The three definitions of a 1% low in trade use; never mixed in one table.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Default, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum LowDefinition {
    /// 1000 / the 99th percentile frame time (Hyndman and Fan 1996, definition 7).
    #[default]
    Percentile,
    /// 1000 / the mean of the slowest hundredth of the frames.
    TailMean,
    /// 1000 / the frame time at which slower frames make up a hundredth of the time.
    TimeShare,
}

impl LowDefinition {
    /// All three, headline first.
    pub const ALL: [LowDefinition; 3] =
        [LowDefinition::Percentile, LowDefinition::TailMean, LowDefinition::TimeShare];

    /// The word used in documents, queries and tables.
    pub fn as_str(self) -> &'static str {
        match self {
            LowDefinition::Percentile => "percentile",
            LowDefinition::TailMean => "tail-mean",
            LowDefinition::TimeShare => "time-share",
        }
    }
}

/// Readings taken beside the frame times.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct Telemetry {
    /// Card temperature, degrees Celsius.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub card_temperature_c: Option<f64>,
    /// Room temperature, degrees Celsius.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub ambient_temperature_c: Option<f64>,
    /// Board power, watts.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub board_power_w: Option<f64>,
    /// Core clock, MHz.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub core_clock_mhz: Option<f64>,
    /// Memory clock, MHz.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub memory_clock_mhz: Option<f64>,
    /// Card memory in use, MiB.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub memory_used_mib: Option<f64>,
}

impl Telemetry {
    /// Card temperature over the room's, kelvin; none unless both were read.
    pub fn over_ambient_k(&self) -> Option<f64> {
        Some(self.card_temperature_c? - self.ambient_temperature_c?)
    }
}
