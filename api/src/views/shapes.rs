//! The documented shape of core's types, which know nothing of OpenAPI. Never built: answers
//! serialise core's types, and a test keeps the two alike.
#![expect(dead_code, reason = "only the derived descriptions are used")]

use utoipa::ToSchema;

/// A document of the published schemas; `openapi` puts the schema itself in its place.
macro_rules! published {
    ($($(#[$doc:meta])* $name:ident;)+) => { $($(#[$doc])* #[derive(ToSchema)] pub struct $name {})+ };
}

published! {
    /// A run document; the published schema `run/1`.
    RunDocument;
    /// A catalogue entry; the published schema `card/1`.
    CardDocument;
    /// A catalogue entry; the published schema `driver/1`.
    DriverDocument;
    /// A catalogue entry; the published schema `workload/1`.
    WorkloadDocument;
    /// A test machine; the published schema `bench/1`.
    BenchDocument;
}

/// A chip of the catalogue.
#[derive(ToSchema)]
pub struct ChipShape {
    /// Catalogue id.
    id: String,
    /// Name.
    name: String,
    /// Other spellings.
    aliases: Vec<String>,
    /// Maker, also the vendor of its drivers.
    vendor: String,
    /// Architecture (family) name.
    architecture: String,
    /// PCI vendor and device ids, `0x` and four hex digits each.
    pci_ids: Vec<PciIdShape>,
    /// PCI Express generation.
    pcie_generation: u32,
    /// PCI Express lanes.
    pcie_lanes: u32,
    /// Graphics APIs it can run.
    apis: Vec<String>,
}

/// A PCI vendor and device id.
#[derive(ToSchema)]
pub struct PciIdShape {
    /// Vendor.
    vendor: String,
    /// Device.
    device: String,
}

/// A processor of the catalogue.
#[derive(ToSchema)]
pub struct CpuShape {
    /// Catalogue id.
    id: String,
    /// Name.
    name: String,
    /// Other spellings.
    aliases: Vec<String>,
    /// Physical cores.
    cores: u32,
    /// Memory it can use: type and top rated speed in MT/s.
    memory: Vec<MemorySupportShape>,
    /// Memory channels.
    memory_channels: u32,
    /// PCI Express generation of its graphics slot.
    pcie_generation: u32,
    /// PCI Express lanes of its graphics slot.
    pcie_lanes: u32,
    /// First day of sale, ISO 8601.
    launch_date: String,
}

/// A memory type a processor can use.
#[derive(ToSchema)]
pub struct MemorySupportShape {
    /// Type in the spelling of SMBIOS.
    r#type: String,
    /// Top rated transfer rate, MT/s.
    top_speed_mts: f64,
}

/// Figures of one pass; rates in frames per second, times in milliseconds.
#[derive(ToSchema)]
pub struct PassStatisticsShape {
    /// Number of frames.
    frames: u64,
    /// Sum of the frame times, seconds.
    length_s: f64,
    /// Frames over time.
    mean_fps: f64,
    /// Median frame time.
    median_ms: f64,
    /// 99th percentile frame time (Hyndman and Fan 1996, definition 7).
    p99_ms: f64,
    /// 1% low, definition `percentile`.
    low_percentile_fps: f64,
    /// 1% low, definition `tail-mean`.
    low_tail_mean_fps: f64,
    /// 1% low, definition `time-share`.
    low_time_share_fps: f64,
    /// 0.1% low by `percentile`; null below 300 s.
    low_0_1_percentile_fps: Option<f64>,
    /// Standard deviation of the frame times; null for one frame.
    sd_ms: Option<f64>,
    /// 1% low (`percentile`) over mean fps.
    consistency: f64,
    /// Longest frame.
    max_ms: f64,
}

/// Figures of a run, pooled over its passes.
#[derive(ToSchema)]
pub struct RunStatisticsShape {
    /// One entry a pass that has frame times.
    passes: Vec<PassStatisticsShape>,
    /// Evidence grade: `full`, `short`, `quick` or `summary`.
    grade: String,
    /// Frames over all passes.
    frames: Option<u64>,
    /// Length over all passes, seconds.
    length_s: Option<f64>,
    /// Total frames over total time.
    mean_fps: Option<f64>,
    /// 1% low, definition `percentile`.
    low_percentile_fps: Option<f64>,
    /// 1% low, definition `tail-mean`.
    low_tail_mean_fps: Option<f64>,
    /// 1% low, definition `time-share`.
    low_time_share_fps: Option<f64>,
    /// Coefficient of variation of the passes' mean fps.
    between_pass_cv: Option<f64>,
}

/// What a run is about, in canonical names: catalogue ids where the catalogue knows the thing.
#[derive(ToSchema)]
pub struct IdentityShape {
    /// Card.
    card: String,
    /// Chip; null while the card is unknown.
    chip: Option<String>,
    /// Driver release.
    driver: String,
    /// Driver branch.
    branch: Option<String>,
    /// Days from 1970-01-01 to the driver release.
    driver_day: Option<i32>,
    /// Workload.
    workload: String,
    /// `single-player` or `multiplayer`; null while the workload is unknown.
    workload_kind: Option<String>,
    /// Scene.
    scene: String,
    /// Kind of scene.
    scene_kind: String,
    /// Workload build.
    build: Option<String>,
    /// Graphics API.
    api: String,
    /// Preset.
    preset: String,
    /// Width, pixels.
    width: u32,
    /// Height, pixels.
    height: u32,
    /// Render scale per axis.
    render_scale: f64,
    /// Other settings that split configurations.
    variant: String,
    /// Platform class.
    platform: String,
    /// Bench.
    bench: String,
}
