//! Sample quantiles.
