//! Interlaboratory statistics: a contributor is a laboratory, a cell a material, a run a test result.
//!
//! Terms follow ISO 5725: repeatability is the spread of one laboratory's results of one material, one after
//! another on one equipment; reproducibility that of results of different laboratories.

pub mod cochran;
pub mod intraclass;
pub mod mandel;
pub mod nested;
pub mod precision;
pub mod proficiency;
