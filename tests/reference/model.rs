//! The prediction model against scipy and statsmodels, general reference libraries, on random designs.

use serde_json::Value;
use wearmark_core::model::{Features, Model, Observation};
use wearmark_core::policy::model::ModelPolicy;
use wearmark_tests::designs::{DesignSize, day, document, runs};

/// A design small enough for dense algebra in another language.
const SMALL: DesignSize =
    DesignSize { runs: 700, contributors: 16, cards: 12, workloads: 3, cpus: 5, releases: 4 };

/// Follows the fit to the end of what floating point can tell.
fn to_the_end(policy: ModelPolicy) -> ModelPolicy {
    ModelPolicy { step_least: 1e-9, decrement_least: 0.0, steps_cold: 400, scale_least: 0.005, ..policy }
}

/// Runs the script on documents; whether it agreed, and what it said.
fn check(documents: &[Value]) -> (bool, String) {
    let python = std::env::var("WEARMARK_PYTHON")
        .expect("WEARMARK_PYTHON names a Python with scipy and statsmodels: run tests/run, which makes one");
    let folder = tempfile::tempdir().unwrap();
    let script = format!("{}/python/model_check.py", env!("CARGO_MANIFEST_DIR"));
    let mut command = std::process::Command::new(python);
    // One thread: these matrices are small, and threads would fight over the cores of other tests.
    command.arg(script).env("OPENBLAS_NUM_THREADS", "1");
    for (at, document) in documents.iter().enumerate() {
        let path = folder.path().join(format!("{at}.json"));
        std::fs::write(&path, serde_json::to_vec(document).unwrap()).unwrap();
        command.arg(path);
    }
    let ended = command.output().unwrap();
    let said =
        format!("{}{}", String::from_utf8_lossy(&ended.stdout), String::from_utf8_lossy(&ended.stderr));
    (ended.status.success(), said)
}

#[track_caller]
fn agrees(documents: &[Value]) {
    let (good, said) = check(documents);
    assert!(good && said.contains(" 0 failed"), "{said}");
}

/// What to ask of a design: some of its rows, and some of them with something that no row had.
fn questions(rows: &[Observation]) -> Vec<Features> {
    let mut asked: Vec<Features> = rows.iter().step_by(9).map(|row| row.features).collect();
    for (at, features) in asked.iter_mut().enumerate() {
        match at % 5 {
            // A release that came after all others.
            0 => (features.release, features.release_day) = (500, Some(day(2 * SMALL.releases))),
            1 if at % 10 == 1 => features.card = 500,
            2 => (features.contributor, features.bench) = (500, 500),
            _ => {}
        }
    }
    asked
}

fn ceiling_document(seed: u64) -> Value {
    let policy = to_the_end(ModelPolicy::published());
    let rows = runs(seed, &SMALL);
    let model = Model::fit(&rows, None, &policy);
    document("ceiling", &rows, &questions(&rows), &model, &policy)
}

#[test]
fn scipy_and_statsmodels_find_the_same_fit_and_the_same_variances_under_a_ceiling() {
    let documents: Vec<Value> = [11, 12].map(ceiling_document).into();
    agrees(&documents);
    // A rate off by a thousandth of the residual scale and a variance off by a thousandth are seen.
    let mut wrong = documents[0].clone();
    let query = &mut wrong["queries"][3];
    query["ln_fps"] = (query["ln_fps"].as_f64().unwrap() + 1.5e-5).into();
    query["variance"] = (query["variance"].as_f64().unwrap() * 1.001).into();
    let (good, said) = check(&[wrong]);
    assert!(!good && said.contains("\nvariance 3:") && said.contains("ln fps 3:"), "{said}");
}

#[test]
fn statsmodels_finds_the_same_robust_regression_of_a_card_limited_design() {
    // Cards, workloads and one exponent with next to no prior, everything else held at zero, platforms far
    // away, the scale given: what is left is a linear regression with the weights of the t distribution.
    let (loose, nothing) = (1e3, 1e-7);
    let published = ModelPolicy::published();
    let policy = to_the_end(ModelPolicy {
        card_sd: loose,
        workload_sd: loose,
        exponent_sd: loose,
        stage_sd: nothing,
        family_workload_sd: nothing,
        family_stage_sd: nothing,
        card_workload_sd: nothing,
        preset_sd: nothing,
        exponent_workload_sd: nothing,
        exponent_family_sd: nothing,
        memory_sd: nothing,
        memory_loss: 0.0,
        memory_need_sd: nothing,
        memory_need_rank_sd: nothing,
        memory_need_pixels_sd: nothing,
        memory_need_workload_sd: nothing,
        memory_need_preset_sd: nothing,
        sharpness_sd: nothing,
        sharpness_workload_sd: nothing,
        cpu_mean: 12.0,
        cpu_sd: nothing,
        workload_cpu_sd: nothing,
        stage_cpu_sd: nothing,
        cpu_workload_sd: nothing,
        bench_platform_sd: nothing,
        single_channel_sd: nothing,
        single_channel_workload_sd: nothing,
        preset_cpu_sd: nothing,
        bench_sd: nothing,
        unit_sd: nothing,
        release_family_sd: nothing,
        release_workload_family_sd: nothing,
        build_sd: nothing,
        scale_start: 0.06,
        scale_least: 0.06,
        scale_most: 0.06,
        ..published
    });
    let documents: Vec<Value> = [21, 22]
        .map(|seed| {
            let mut rows = runs(seed, &DesignSize { runs: 400, ..SMALL });
            rows.iter_mut().for_each(|row| row.weight = 1.0);
            let asked: Vec<Features> = rows.iter().map(|row| row.features).collect();
            document("flat", &rows, &asked, &Model::fit(&rows, None, &policy), &policy)
        })
        .into();
    agrees(&documents);
}
