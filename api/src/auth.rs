//! Who is calling, and how that is known.

pub mod scope;
pub mod secret;
pub mod access;
pub mod password;
