//! Who is calling, and how that is known.

pub mod scope;
pub mod secret;
pub mod access;
pub mod password;
pub mod network;
pub mod throttle;
pub mod rates;
pub mod code;
pub mod cookie;
