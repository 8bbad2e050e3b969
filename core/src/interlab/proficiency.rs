//! z-scores of a proficiency test.

/// What a z-score says of a laboratory (ISO 13528; ISO/IEC 17043).
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Standing {
    /// |z| up to 2.
    Acceptable,
    /// |z| above 2 and below 3: a warning signal.
    Warning,
    /// |z| of 3 or more: an action signal.
    Action,
}

impl Standing {
    /// The word for it.
    pub fn as_str(self) -> &'static str {
        match self {
            Standing::Acceptable => "acceptable",
            Standing::Warning => "warning",
            Standing::Action => "action",
        }
    }
}

/// z = (x - assigned) / sigma and what it says.
pub fn z_score(value: f64, assigned: f64, sigma: f64) -> (f64, Standing) {
    let z = (value - assigned) / sigma;
    let standing = match z.abs() {
        z if z >= 3.0 => Standing::Action,
        z if z > 2.0 => Standing::Warning,
        _ => Standing::Acceptable,
    };
    (z, standing)
}
