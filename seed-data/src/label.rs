//! What was done to a submission, so that a judge's work can be scored against the truth.

use serde::{Deserialize, Serialize};

/// The unit that was given where milliseconds were asked.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum WrongUnit {
    /// Seconds.
    Seconds,
    /// Microseconds.
    Microseconds,
    /// Frames per second.
    FramesPerSecond,
}

/// What is true of a submission. Catalogue ids name the truth where the claim differs from it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(tag = "kind", rename_all = "kebab-case")]
pub enum Label {
    /// As claimed, noise and all. Failures to start and faults that a driver causes are honest too.
    Honest,
    /// Frame times in another unit.
    UnitError {
        /// The unit.
        unit: WrongUnit,
    },
    /// A frame cap nobody mentions.
    FrameCap {
        /// Frames per second.
        fps: f64,
    },
    /// The card slows down over the passes as it heats up.
    Throttling {
        /// Decline of the rate from first frame to last, as a share.
        decline: f64,
    },
    /// Each pass starts in a menu, with loading frames before the scene.
    MenuIncluded {
        /// Share of the time.
        share: f64,
    },
    /// All passes are the first one again.
    CopiedPasses {
        /// Standard deviation of the noise put on the copies, in logs; 0 for exact copies.
        jitter: f64,
    },
    /// Another contributor's run under one's own name.
    DuplicateOf {
        /// Index of the original in arrival order.
        submission: usize,
    },
    /// Frame times drawn independently from a distribution.
    Fabricated,
    /// Another contributor's series, rescaled and jittered, given for one's own.
    ForgedCopy {
        /// Index of the original in arrival order.
        submission: usize,
        /// Factor on the frame times.
        scale: f64,
        /// Standard deviation of the noise, in logs.
        jitter: f64,
    },
    /// Frame rates made larger.
    Inflated {
        /// By this share.
        by: f64,
    },
    /// Measured on another card than claimed.
    WrongCard {
        /// The card.
        measured: String,
    },
    /// Measured at another resolution than claimed.
    WrongResolution {
        /// Width, pixels.
        width: u32,
        /// Height, pixels.
        height: u32,
    },
    /// Measured at another preset than claimed.
    WrongPreset {
        /// The preset.
        measured: String,
    },
    /// Measured on another driver release than claimed; dates and chips give no hint.
    WrongDriver {
        /// The release.
        measured: String,
    },
    /// The claimed driver release did not exist yet.
    DriverAfterRun {
        /// Days between run and release.
        days: i64,
    },
    /// The claimed card was never sold with that memory size.
    WrongMemorySize {
        /// MiB claimed.
        claimed_mib: u64,
    },
    /// The processor cannot use the claimed type of main memory.
    ImpossibleMemoryType {
        /// Type claimed.
        claimed: String,
    },
    /// More memory channels than the processor has.
    ImpossibleChannels {
        /// Channels claimed.
        claimed: u32,
    },
    /// A mobile part, given for the desktop card of like name.
    MobileAsDesktop,
    /// A card that the catalogue does not know.
    UnknownCard {
        /// The card that was measured.
        measured: String,
    },
    /// One memory module in use, two channels claimed.
    SingleChannelAsDual,
    /// Another program was busy.
    BackgroundLoad {
        /// Share of the rate that it cost, spikes not counted.
        loss: f64,
    },
    /// The summary beside the frame times says something else.
    SummaryContradicts {
        /// Mean rate claimed over the true one.
        factor: f64,
    },
    /// The summary's 1% low was computed by another definition than it names.
    OtherLowDefinition,
}

impl Label {
    /// The kind of every label but `honest`, in kebab case.
    pub const BAD_KINDS: [&'static str; 23] = [
        "unit-error",
        "frame-cap",
        "throttling",
        "menu-included",
        "copied-passes",
        "duplicate-of",
        "fabricated",
        "forged-copy",
        "inflated",
        "wrong-card",
        "wrong-resolution",
        "wrong-preset",
        "wrong-driver",
        "driver-after-run",
        "wrong-memory-size",
        "impossible-memory-type",
        "impossible-channels",
        "mobile-as-desktop",
        "unknown-card",
        "single-channel-as-dual",
        "background-load",
        "summary-contradicts",
        "other-low-definition",
    ];

    /// The kind, in kebab case.
    pub fn kind(&self) -> &'static str {
        match self {
            Label::Honest => "honest",
            Label::UnitError { .. } => "unit-error",
            Label::FrameCap { .. } => "frame-cap",
            Label::Throttling { .. } => "throttling",
            Label::MenuIncluded { .. } => "menu-included",
            Label::CopiedPasses { .. } => "copied-passes",
            Label::DuplicateOf { .. } => "duplicate-of",
            Label::Fabricated => "fabricated",
            Label::ForgedCopy { .. } => "forged-copy",
            Label::Inflated { .. } => "inflated",
            Label::WrongCard { .. } => "wrong-card",
            Label::WrongResolution { .. } => "wrong-resolution",
            Label::WrongPreset { .. } => "wrong-preset",
            Label::WrongDriver { .. } => "wrong-driver",
            Label::DriverAfterRun { .. } => "driver-after-run",
            Label::WrongMemorySize { .. } => "wrong-memory-size",
            Label::ImpossibleMemoryType { .. } => "impossible-memory-type",
            Label::ImpossibleChannels { .. } => "impossible-channels",
            Label::MobileAsDesktop => "mobile-as-desktop",
            Label::UnknownCard { .. } => "unknown-card",
            Label::SingleChannelAsDual => "single-channel-as-dual",
            Label::BackgroundLoad { .. } => "background-load",
            Label::SummaryContradicts { .. } => "summary-contradicts",
            Label::OtherLowDefinition => "other-low-definition",
        }
    }

    /// Whether the claim is as it should be.
    pub fn is_honest(&self) -> bool {
        *self == Label::Honest
    }

    /// The size of what was done, in the unit the kind calls for; none where there is no size.
    pub fn magnitude(&self) -> Option<f64> {
        match self {
            Label::FrameCap { fps } => Some(*fps),
            Label::Throttling { decline } => Some(*decline),
            Label::MenuIncluded { share } => Some(*share),
            Label::CopiedPasses { jitter } | Label::ForgedCopy { jitter, .. } => Some(*jitter),
            Label::Inflated { by } => Some(*by),
            Label::DriverAfterRun { days } => Some(*days as f64),
            Label::BackgroundLoad { loss } => Some(*loss),
            Label::SummaryContradicts { factor } => Some(*factor),
            _ => None,
        }
    }
}
