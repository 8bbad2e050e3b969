//! Outgoing JSON, one file a noun. Where core's own types are the answer, `shapes` documents them.

pub mod problem;
pub mod finding;
pub mod judgement;
pub mod shapes;
pub mod run;
pub mod plot;
pub mod batch;
pub mod table;
pub mod basket;
pub mod playable;
pub mod wanted;
pub mod dots;
pub mod plots;
pub mod precision;
pub mod compare;
pub mod price;
pub mod value;
pub mod list;
pub mod moderation;
pub mod contributor;
pub mod bulk;
pub mod price_case;
pub mod cluster;
pub mod personal;
pub mod account;
