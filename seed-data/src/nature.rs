//! What the noise of a world is like, and what its people are used to: all that differs between the
//! world of the demo and the worlds of the evaluation.

use crate::panel::RESOLUTIONS;

/// Sizes of what no catalogue knows. Standard deviations in natural logarithms of the frame rate.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Nature {
    /// Bounds of the workloads' ceilings: the larger, the sharper the bend where the processor takes over.
    pub(crate) sharpness: (f64, f64),
    /// A cell's own departure from every sum of effects.
    pub(crate) lack_of_fit: f64,
    /// A bench's departure from its kind, heavy-tailed.
    pub(crate) bench: f64,
    /// A bench's departure in what its processor allows.
    pub(crate) ceiling: f64,
    /// A single card's departure from its kind, heavy-tailed.
    pub(crate) unit: f64,
    /// The whole run's noise on a usual day, heavy-tailed.
    pub(crate) day: f64,
    /// The same on a bad day.
    pub(crate) bad_day: f64,
    /// Share of runs on bad days.
    pub(crate) bad_days: f64,
}

impl Nature {
    pub(crate) const DEMO: Nature = Nature {
        sharpness: (5.0, 10.0),
        lack_of_fit: 0.018,
        bench: 0.026,
        ceiling: 0.03,
        unit: 0.015,
        day: 0.008,
        bad_day: 0.025,
        bad_days: 0.05,
    };

    /// What a judge may reasonably expect: benches 3 %, single cards 2 % apart (simulation study of this
    /// project), with heavier tails than a normal error has.
    pub(crate) const PLAIN: Nature = Nature { bench: 0.03, unit: 0.02, ..Nature::DEMO };

    /// Where a judge's assumptions are wrong: ceilings much softer, benches 4.2 % apart, cells off every
    /// sum by 2.5 %, runs noisier by 1.6 %, six in a hundred much more.
    pub(crate) const MISSPECIFIED: Nature = Nature {
        sharpness: (2.5, 4.5),
        lack_of_fit: 0.025,
        bench: 0.042,
        ceiling: 0.042,
        unit: 0.025,
        day: 0.016,
        bad_day: 0.05,
        bad_days: 0.06,
    };
}

/// What people are used to: what they measure and how well, and what goes wrong how often.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Habits {
    /// Resolutions in use, smallest first.
    pub(crate) resolutions: &'static [(u32, u32)],
    /// How many of the most popular workloads everybody measures in the same way.
    pub(crate) core: usize,
    /// How many others at most.
    pub(crate) others: usize,
    /// Weights of the grades `full`, `short`, `quick`, `summary`.
    pub(crate) grades: [f64; 4],
    /// Chance that somebody who makes no habit of it does a deliberate wrong that he was drawn for.
    pub(crate) tempted: f64,
    /// Share of all submissions that are bad.
    pub(crate) bad: f64,
    /// Weight of each bad kind; copies come last so that what they copy is known to stay honest.
    pub(crate) mix: &'static [(&'static str, f64)],
    /// Shares by which rates are inflated.
    pub(crate) inflations: &'static [f64],
    /// Factors on the frame times of forged copies.
    pub(crate) scales: &'static [f64],
    /// Noise on the frame times of forged copies, standard deviations in logs.
    pub(crate) jitters: &'static [f64],
}

impl Habits {
    pub(crate) const DEMO: Habits = Habits {
        resolutions: &RESOLUTIONS,
        core: 5,
        others: 3,
        grades: [0.60, 0.22, 0.13, 0.05],
        tempted: 0.05,
        bad: 0.06,
        mix: &[
            ("unit-error", 1.2),
            ("frame-cap", 1.4),
            ("throttling", 1.3),
            ("menu-included", 1.2),
            ("copied-passes", 0.7),
            ("fabricated", 0.7),
            ("inflated", 2.0),
            ("wrong-card", 1.2),
            ("wrong-resolution", 1.2),
            ("wrong-preset", 1.2),
            ("wrong-driver", 0.8),
            ("driver-after-run", 0.8),
            ("wrong-memory-size", 0.8),
            ("impossible-memory-type", 0.7),
            ("impossible-channels", 0.7),
            ("mobile-as-desktop", 0.5),
            ("unknown-card", 0.8),
            ("single-channel-as-dual", 1.0),
            ("background-load", 1.2),
            ("summary-contradicts", 0.8),
            ("other-low-definition", 0.8),
            ("duplicate-of", 0.9),
            ("forged-copy", 0.9),
        ],
        inflations: &[0.1, 0.2, 0.4],
        scales: &[0.93, 0.96, 0.98, 1.02, 1.05],
        jitters: &[0.005, 0.01, 0.02, 0.04],
    };

    /// For the evaluation: nearly all runs of full grade, one more resolution for the faster cards, wrongs
    /// of every size, and most of them by people who usually do right.
    pub(crate) const TRIAL: Habits = Habits {
        resolutions: &[(1280, 720), (1600, 900), (1920, 1080), (2560, 1440), (3840, 2160)],
        core: 3,
        others: 8,
        grades: [0.88, 0.07, 0.03, 0.02],
        tempted: 0.4,
        bad: 0.08,
        mix: &[
            ("unit-error", 1.0),
            ("frame-cap", 1.0),
            ("throttling", 1.2),
            ("menu-included", 1.0),
            ("copied-passes", 0.7),
            ("fabricated", 0.7),
            ("inflated", 6.0),
            ("wrong-card", 1.6),
            ("wrong-resolution", 1.6),
            ("wrong-preset", 1.6),
            ("wrong-driver", 0.7),
            ("driver-after-run", 0.2),
            ("wrong-memory-size", 0.2),
            ("impossible-memory-type", 0.2),
            ("impossible-channels", 0.2),
            ("mobile-as-desktop", 0.2),
            ("unknown-card", 0.2),
            ("single-channel-as-dual", 1.0),
            ("background-load", 1.2),
            ("summary-contradicts", 0.3),
            ("other-low-definition", 0.5),
            ("duplicate-of", 0.7),
            ("forged-copy", 1.4),
        ],
        inflations: &[0.05, 0.1, 0.1, 0.15, 0.2, 0.2, 0.4],
        scales: &[0.93, 0.96, 0.98, 1.02, 1.05],
        jitters: &[0.005, 0.01, 0.02, 0.03, 0.03, 0.05],
    };
}
