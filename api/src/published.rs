//! Answers that are the same for everybody until the data change: rendered once, kept, validated
//! by ETag (RFC 9110) and compressed once for each coding.

pub mod cache;
pub mod negotiate;
pub mod cursor;
pub mod answer;
pub mod table;
pub mod document;
