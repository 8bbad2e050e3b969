//! Who is calling, and how that is known.

pub mod password;
