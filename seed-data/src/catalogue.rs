//! The invented catalogue, as an operator would import it.

use wearmark_core::catalogue::CatalogueDocument;

/// The catalogue of the invented world. Every name in it is made up for this project; what is not
/// made up are names of standards (memory types, graphics interfaces, bus generations). The PCI
/// vendor ids, `0xe7c1` and `0xe7c4`, are ours too and belong to no maker of graphics cards.
pub fn catalogue() -> CatalogueDocument {
    #[expect(clippy::expect_used, reason = "the document is part of the program, and a test reads it")]
    serde_json::from_str(include_str!("../catalogue.json")).expect("the embedded catalogue is well formed")
}
