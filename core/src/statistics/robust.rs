//! Robust location and scale.
