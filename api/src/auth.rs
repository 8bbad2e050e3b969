//! Who is calling, and how that is known.

pub mod access;
pub mod password;
