//! Thresholds of the resolution ladders.

/// Exponent of fps over pixels of a card-limited step. The prior mean over workloads of the project's
/// simulation study; a workload's own exponent replaces it once it is estimated.
pub const CARD_EXPONENT: f64 = 0.75;

/// Standard deviation of that exponent between workloads, same source.
pub const CARD_EXPONENT_SD: f64 = 0.10;

/// Relative standard deviation of one rung's mean fps: three passes of a scripted scene repeat to
/// about half a per cent (same source), doubled since ladders are also built from single passes.
pub const RUNG_SD: f64 = 0.01;

/// Share of the card from which a step is called card-limited. Common practice of rounding to quarters.
pub const CARD_SHARE: f64 = 0.75;

/// Share of the card up to which a step is called platform-limited.
pub const PLATFORM_SHARE: f64 = 0.25;

/// Normal quantile of a one-sided 5 %: nearer than that many standard errors to a limit of its class, a
/// step is not certain.
pub const NOT_CERTAIN_WITHIN: f64 = 1.64;
