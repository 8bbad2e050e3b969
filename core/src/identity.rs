//! What a run is about, in canonical words: the keys under which runs are pooled.

use serde::{Deserialize, Serialize};

use crate::run::SceneKind;

/// What the catalogue does not know is named by this and a slug; no catalogue id begins with it.
pub(crate) const UNKNOWN: char = '?';

/// Whether an id is one of the catalogue's.
pub fn is_known(id: &str) -> bool {
    !id.starts_with(UNKNOWN)
}

/// Canonical names of everything a run touches: catalogue ids where the catalogue knows the thing,
/// else a normalised form of the claim. Made by `platform::identify`.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Identity {
    /// Card id.
    pub card: String,
    /// Chip id; none while the card is unknown.
    pub chip: Option<String>,
    /// Driver release id.
    pub driver: String,
    /// Driver branch; none when neither catalogue nor claim names one.
    pub branch: Option<String>,
    /// Days from 1970-01-01 to the driver release; none when unknown. Orders the track.
    pub driver_day: Option<i32>,
    /// Workload id.
    pub workload: String,
    /// `single-player` or `multiplayer`; none while the workload is unknown.
    pub workload_kind: Option<String>,
    /// Scene id.
    pub scene: String,
    /// Kind of scene.
    pub scene_kind: SceneKind,
    /// Workload build; none when not stated.
    pub build: Option<String>,
    /// Graphics API.
    pub api: String,
    /// Preset.
    pub preset: String,
    /// Width, pixels.
    pub width: u32,
    /// Height, pixels.
    pub height: u32,
    /// Render scale per axis.
    pub render_scale: f64,
    /// Upscaler and other settings that split configurations, joined; empty when none.
    pub variant: String,
    /// Platform class: processor id, memory type and channels, for example `korvid-q4/DDR4x2`.
    pub platform: String,
    /// Bench id within the service (contributor and machine); equal ids are the same machine.
    pub bench: String,
}

impl Identity {
    /// The cell's configuration: card x workload scene x settings (design: "configuration"), as one
    /// canonical string. Driver, build, bench and contributor are attributes, not part of it.
    pub fn configuration(&self) -> String {
        format!(
            "{}|{}|{}|{}|{}|{}x{}|{}|{}",
            self.card,
            self.workload,
            self.scene,
            self.api,
            self.preset,
            self.width,
            self.height,
            self.render_scale,
            self.variant
        )
    }
}

/// What the prediction model needs of a run beside its canonical names. Taken from the catalogue when the run
/// is examined and stored with it, so that a later change of the catalogue does not change what was judged.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct Traits {
    /// Architecture of the chip; none while the card is unknown.
    pub family: Option<String>,
    /// Card memory, MiB; 0 when neither catalogue nor claim has it.
    pub memory_mib: u32,
    /// Position of the preset among the workload's, the lightest at 0; 0 when unknown.
    pub preset_rank: u32,
    /// Processor id, or the slug of an unknown one.
    pub cpu: String,
    /// Whether the bench's memory runs in one channel.
    pub single_channel: bool,
}

#[cfg(test)]
impl Identity {
    /// Something measured, for tests.
    pub(crate) fn example() -> Identity {
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
            platform: "a".to_owned(),
            bench: "b".to_owned(),
        }
    }
}
