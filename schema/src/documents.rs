//! The published documents, as they stand in the folder `documents`.

/// One published JSON Schema.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Document {
    /// Where it is served below `/schemas/`, for example `run/1`.
    pub path: &'static str,
    /// Its `$id`.
    pub id: &'static str,
    /// The text, byte for byte the same for the life of the program, so a validator (RFC 9110,
    /// section 8.8) can be computed once.
    pub text: &'static str,
}

macro_rules! document {
    ($path:literal, $file:literal) => {
        Document {
            path: $path,
            id: concat!("https://wearmark.example/schemas/", $path),
            text: include_str!(concat!("../documents/", $file)),
        }
    };
}

static DOCUMENTS: [Document; 10] = [
    document!("run/1", "run.v1.json"),
    document!("bench/1", "bench.v1.json"),
    document!("chip/1", "chip.v1.json"),
    document!("card/1", "card.v1.json"),
    document!("driver-release/1", "driver-release.v1.json"),
    document!("cpu/1", "cpu.v1.json"),
    document!("workload/1", "workload.v1.json"),
    document!("scene/1", "scene.v1.json"),
    document!("catalogue/1", "catalogue.v1.json"),
    document!("price/1", "price.v1.json"),
];

/// All published schemas, the run first.
pub fn documents() -> &'static [Document] {
    &DOCUMENTS
}
