//! Random bytes against the readers, steered by what they reach: one program for all targets of
//! `wearmark_tests::fuzz`, the environment variable `WEARMARK_FUZZ` names which. Built by `tests/fuzz/run`.

#![no_main]

use std::sync::OnceLock;

use wearmark_tests::fuzz;

static TARGET: OnceLock<fn(&[u8])> = OnceLock::new();

libfuzzer_sys::fuzz_target!(|bytes: &[u8]| {
    let target = TARGET.get_or_init(|| {
        let name = std::env::var("WEARMARK_FUZZ").unwrap_or_default();
        fuzz::target(&name).unwrap_or_else(|| {
            let known: Vec<&str> = fuzz::TARGETS.iter().map(|(name, _)| *name).collect();
            panic!("WEARMARK_FUZZ must name a target: {}", known.join(", "))
        })
    });
    target(bytes);
});
