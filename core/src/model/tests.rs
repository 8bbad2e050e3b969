//! The model on small worlds whose truth is known. The worlds are the tests' own and seeded.

mod bends;

use super::*;
use crate::draw::Random;
use crate::policy::model::ModelPolicy;

/// As in any textbook, not as the model computes it.
fn softmin(card: f64, platform: f64, p: f64) -> f64 {
    -((-p * card).exp() + (-p * platform).exp()).ln() / p
}

/// Twelve cards, five workloads of two stages and three presets, four processors, twenty contributors.
struct World {
    random: Random,
    cards: Vec<f64>,
    workloads: Vec<f64>,
    stages: Vec<f64>,
    presets: Vec<f64>,
    cpus: Vec<f64>,
    workloads_cpu: Vec<f64>,
    benches: Vec<f64>,
}

impl World {
    fn new(seed: u64) -> World {
        let mut random = Random(seed);
        let mut draw = |n: usize, mean: f64, sd: f64| -> Vec<f64> {
            (0..n).map(|_| mean + sd * random.normal()).collect()
        };
        World {
            cards: draw(12, 4.2, 0.5),
            workloads: draw(5, 0.0, 0.3),
            stages: draw(10, 0.0, 0.1),
            presets: draw(15, 0.0, 0.2),
            cpus: draw(4, 4.8, 0.25),
            workloads_cpu: draw(5, 0.0, 0.25),
            benches: draw(20, 0.0, 0.03),
            random,
        }
    }

    /// A run, and what it would show without noise.
    fn run(&mut self) -> (Observation, f64) {
        let random = &mut self.random;
        let contributor = random.below(20);
        let (cpu, card) = (contributor % 4, (contributor + 5 * random.below(3)) % 12);
        let workload = random.below(5);
        let (stage, preset) = (workload * 2 + random.below(2), workload * 3 + random.below(3));
        let ln_pixels = [-0.575, 0.0, 0.811][random.below(3)];
        let features = Features {
            card: card as u32,
            family: card as u32 / 4,
            memory_mib: 24576,
            workload: workload as u32,
            stage: stage as u32,
            preset: preset as u32,
            preset_rank: (preset % 3) as f64,
            ln_pixels,
            cpu: cpu as u32,
            single_channel: false,
            contributor: contributor as u32,
            bench: contributor as u32,
            release: random.below(3) as u32,
            release_day: None,
            build: random.below(2) as u32,
        };
        let card_side =
            self.cards[card] + self.workloads[workload] + self.stages[stage] + self.presets[preset]
                - 0.75 * ln_pixels;
        let platform = self.cpus[cpu] + self.workloads_cpu[workload];
        let limited = softmin(card_side, platform, 8.0);
        let truth = limited + self.benches[contributor];
        // Every twentieth run is off by a quarter.
        let off = if random.below(20) == 0 { 0.25 } else { 0.0 };
        let noise = 0.015 * random.normal() - off;
        let low = -0.3 - 0.05 * (stage % 3) as f64 + 0.04 * random.normal();
        (Observation { features, ln_fps: truth + noise, ln_low_ratio: Some(low), weight: 1.0 }, truth)
    }

    fn runs(&mut self, count: usize) -> Vec<Observation> {
        (0..count).map(|_| self.run().0).collect()
    }
}

fn nobody() -> Features {
    Features {
        card: UNKNOWN,
        family: UNKNOWN,
        memory_mib: 0,
        workload: UNKNOWN,
        stage: UNKNOWN,
        preset: UNKNOWN,
        preset_rank: 0.0,
        ln_pixels: 0.0,
        cpu: UNKNOWN,
        single_channel: false,
        contributor: UNKNOWN,
        bench: UNKNOWN,
        release: UNKNOWN,
        release_day: None,
        build: UNKNOWN,
    }
}

fn bits(p: Prediction) -> [u64; 6] {
    [p.ln_fps, p.variance, p.share, p.sigma, p.bench, p.bench_variance].map(f64::to_bits)
}

#[track_caller]
fn near(got: f64, wanted: f64, tolerance: f64) {
    assert!((got - wanted).abs() <= tolerance, "{got} for {wanted}");
}

#[test]
fn without_any_run_a_prediction_is_the_prior() {
    let policy = ModelPolicy::published();
    let p = Model::prior(&policy).predict(&nobody());
    // Sides: card, workload, stage, two of the architecture, card x workload, preset, exponent of the architecture,
    // memory, unit, two of the release; processor, workload, stage, processor x workload, bench.
    let sum = |sds: &[f64]| sds.iter().map(|sd| sd * sd).sum::<f64>();
    // 1.78 times the pixels of 1920x1080, of which a quarter of the memory grows.
    let pressure = 1500.0_f64.ln() + (0.75 + 0.25 * 16.0_f64 / 9.0).ln() - 4096.0_f64.ln();
    let of_pressure = sum(&[0.3, 0.1 * 0.575_364_144_903_562, 0.35, 0.15, 0.6]);
    let (_, of_loss) = rate::expected_loss(pressure, of_pressure, &policy);
    let turned = 0.03 * 0.575_364_144_903_562;
    let card = sum(&[0.8, 0.5, 0.2, 0.05, 0.05, 0.035, 0.3, turned, 0.015, 0.02, 0.02, 0.04]) + of_loss;
    let platform = sum(&[0.6, 0.45, 0.15, 0.03, 0.03]);
    let outside = sum(&[0.03, 0.015]);
    let softened = 4.0 / (1.0 + 16.0 * of_pressure / 2.9).sqrt();
    let level = 75.0_f64.ln() - 0.45 / (1.0 + (-softened * pressure).exp());
    let sharpness = 7.0 / (1.0 + 49.0 * (card + platform - 0.01) / 2.9).sqrt();
    let ahead = sharpness * (level - 130.0_f64.ln());
    let share = 1.0 / (1.0 + ahead.exp());
    near(p.share, share, 1e-12);
    near(p.ln_fps, level - ahead.exp().ln_1p() / sharpness, 1e-12);
    let corner = sum(&[0.3, 0.3])
        * (ahead.exp().ln_1p() / sharpness - ahead / sharpness * share.min(1.0 - share)).powi(2);
    near(p.variance, share * share * card + (1.0 - share).powi(2) * platform + outside + corner, 1e-12);
    near(p.bench, 0.0, 0.0);
    near(p.bench_variance, 0.03_f64.powi(2) + (share * 0.02).powi(2), 1e-15);
    near(p.sigma, policy.scale_start, 0.0);
    let fitted = Model::fit(&[], None, &policy);
    assert_eq!(bits(fitted.predict(&nobody())), bits(p));
    assert_eq!((fitted.observations(), fitted.parameters()), (0, 0));
}

#[test]
fn a_small_world_is_recovered_through_its_bad_runs() {
    let mut world = World::new(1);
    let model = Model::fit(&world.runs(1500), None, &ModelPolicy::published());
    assert_eq!(model.observations(), 1500);
    assert!((0.012..0.02).contains(&model.sigma()), "sigma {}", model.sigma());
    let (mut errors, mut scaled, mut limited) = (Vec::new(), Vec::new(), 0);
    for _ in 0..500 {
        let (run, truth) = world.run();
        let p = model.predict(&run.features);
        errors.push((p.ln_fps - truth).abs());
        scaled.push((p.ln_fps - truth).abs() / p.variance.sqrt());
        limited += usize::from(p.share < 0.5);
    }
    errors.sort_by(f64::total_cmp);
    scaled.sort_by(f64::total_cmp);
    assert!(errors[250] < 0.006 && errors[475] < 0.02, "{} {}", errors[250], errors[475]);
    // Half of normal deviates lie within 0.67, 95 % within 1.96; effects absent from this world are still in
    // the stated variance, so the errors may be smaller, and must not be much larger.
    assert!((0.3..0.9).contains(&scaled[250]) && scaled[475] < 2.6, "{} {}", scaled[250], scaled[475]);
    assert!((50..450).contains(&limited), "both sides of the ceiling are tested: {limited}");
}

#[test]
fn what_was_never_seen_enters_by_its_prior_variance() {
    let mut world = World::new(2);
    let policy = ModelPolicy::published();
    let model = Model::fit(&world.runs(800), None, &policy);
    let known = world.run().0.features;
    let usual = model.predict(&known);
    let stranger = model.predict(&Features { contributor: 900, bench: 900, ..known });
    assert!(stranger.bench == 0.0 && stranger.variance > usual.variance + 0.0005);
    near(stranger.bench_variance, 0.03_f64.powi(2) + (stranger.share * 0.02).powi(2), 1e-15);
    let nameless = model.predict(&Features { contributor: UNKNOWN, bench: UNKNOWN, ..known });
    assert_eq!(bits(nameless), bits(stranger));
    let release = model.predict(&Features { release: 77, ..known });
    assert!(release.variance > usual.variance + (release.share * 0.04).powi(2) / 2.0);
    // A card that nobody ran has the level of cards at large and a standard deviation of about 0.8 on its
    // side; a processor far faster than it leaves that doubt whole.
    let card = Features { card: 700, family: UNKNOWN, memory_mib: 0, ..known };
    let fresh = model.predict(&card);
    assert!(fresh.variance > 0.1 * fresh.share, "{fresh:?}");
}

#[test]
fn an_unseen_card_under_a_known_ceiling_is_not_said_to_be_certain() {
    let policy = ModelPolicy::published();
    let mut world = World::new(3);
    // Platforms below what a card of no particular speed would show at few pixels.
    world.cpus = vec![3.9; 4];
    world.workloads_cpu = vec![0.0; 5];
    let model = Model::fit(&world.runs(1000), None, &policy);
    let features = Features { card: 700, family: 70, ln_pixels: -0.575, ..world.run().0.features };
    let p = model.predict(&features);
    // A new card most likely runs at the ceiling, and may be far slower: the variance is many times what
    // the slopes at the most likely point say.
    assert!((0.02..0.6).contains(&p.share), "{p:?}");
    assert!(p.variance > 0.5 * p.share * p.share * 0.8 * 0.8, "{p:?}");
    assert!((3.0..4.0).contains(&p.ln_fps), "{p:?}");
}

#[test]
fn a_card_seen_only_under_the_ceiling_stays_in_doubt_above_it() {
    let policy = ModelPolicy::published();
    let mut world = World::new(4);
    let mut rows = world.runs(600);
    // Card 11 is fast and only ever ran on slow platforms at few pixels.
    rows.retain(|row| row.features.card != 11);
    for _ in 0..40 {
        let mut run = world.run().0;
        run.features.card = 11;
        run.features.ln_pixels = -1.5;
        run.ln_fps = world.cpus[run.features.cpu as usize]
            + world.workloads_cpu[run.features.workload as usize]
            + world.benches[run.features.contributor as usize];
        rows.push(run);
    }
    let model = Model::fit(&rows, None, &policy);
    let (few, many) = (
        Features { ln_pixels: -1.5, ..rows[rows.len() - 1].features },
        Features { ln_pixels: 1.5, ..rows[rows.len() - 1].features },
    );
    let (few, many) = (model.predict(&few), model.predict(&many));
    assert!(many.variance > 10.0 * few.variance, "{few:?} {many:?}");
}

#[test]
fn the_same_rows_give_the_same_bits() {
    let rows = World::new(5).runs(500);
    let policy = ModelPolicy::published();
    let (a, b) = (Model::fit(&rows, None, &policy), Model::fit(&rows, None, &policy));
    assert_eq!(a.to_bytes(), b.to_bytes());
    let warm = |start| Model::fit(&rows, Some(start), &policy).to_bytes();
    assert_eq!(warm(&a), warm(&b));
}

#[test]
fn a_warm_fit_finds_the_minimum_of_a_cold_one_in_fewer_steps() {
    let mut world = World::new(6);
    let mut rows = world.runs(700);
    let policy = ModelPolicy::published();
    let early = Model::fit(&rows, None, &policy);
    rows.extend(world.runs(100));
    let (cold, warm) = (Model::fit(&rows, None, &policy), Model::fit(&rows, Some(&early), &policy));
    assert!(warm.steps() < cold.steps(), "{} {}", warm.steps(), cold.steps());
    for row in rows.iter().step_by(17) {
        let (a, b) = (cold.predict(&row.features), warm.predict(&row.features));
        near(a.ln_fps, b.ln_fps, 0.002);
        near(a.variance, b.variance, 0.02 * a.variance);
    }
}

#[test]
fn a_model_survives_its_bytes_bit_for_bit() {
    let mut world = World::new(7);
    let mut policy = ModelPolicy::published();
    policy.card_mean = 4.3 + 1e-15;
    let model = Model::fit(&world.runs(400), None, &policy);
    let bytes = model.to_bytes();
    let back = Model::from_bytes(&bytes).unwrap();
    assert_eq!(back, model);
    assert_eq!(back.to_bytes(), bytes);
    let mut asked: Vec<Features> = world.runs(50).iter().map(|row| row.features).collect();
    asked.extend([nobody(), Features { card: 900, ..asked[0] }]);
    for features in &asked {
        assert_eq!(bits(back.predict(features)), bits(model.predict(features)));
        assert_eq!(back.predict_low(features), model.predict_low(features));
    }
    // Any cut and any other form is refused, never misread.
    for length in (0..bytes.len()).step_by(97) {
        assert!(Model::from_bytes(&bytes[..length]).is_err());
    }
    let longer: Vec<u8> = bytes.iter().copied().chain([0]).collect();
    assert!(Model::from_bytes(&longer).is_err());
    let mut unordered = model;
    unordered.blocks.iter_mut().find(|block| block.touched.len() > 1).unwrap().touched.swap(0, 1);
    assert!(Model::from_bytes(&unordered.to_bytes()).is_err());
    let prior = Model::prior(&policy);
    assert_eq!(Model::from_bytes(&prior.to_bytes()), Ok(prior));
}

/// To the bit: verdicts of before the sums were kept are computed again by them.
#[test]
fn what_is_kept_of_a_contributor_is_the_sum_along_all_that_its_runs_touch() {
    let model = Model::fit(&World::new(9).runs(400), None, &ModelPolicy::published());
    let mut sums = 0;
    for block in &model.blocks {
        let width = block.touched.len();
        for (carry, through) in block.carry.chunks(width).zip(block.through.chunks(width)) {
            for (shared, kept) in block.touched.iter().zip(through) {
                let p = |at: &u32| super::dense::packed(&model.covariance, *shared as usize, *at as usize);
                let sum: f64 = block.touched.iter().zip(carry).map(|(at, by)| by * p(at)).sum();
                assert_eq!(sum.to_bits(), kept.to_bits());
                sums += 1;
            }
        }
    }
    assert!(sums > 1_000, "{sums}");
}

#[test]
fn figures_that_are_no_numbers_are_left_out() {
    let mut world = World::new(8);
    let rows = world.runs(200);
    let policy = ModelPolicy::published();
    let mut spoilt = rows.clone();
    spoilt.insert(3, Observation { ln_fps: f64::NAN, ..rows[0] });
    spoilt.insert(9, Observation { weight: 0.0, ..rows[1] });
    spoilt.insert(12, Observation { ln_fps: f64::INFINITY, ln_low_ratio: None, ..rows[1] });
    for row in &mut spoilt[..=12] {
        row.ln_low_ratio = None;
    }
    let mut clean = rows;
    clean[..=9].iter_mut().for_each(|row| row.ln_low_ratio = None);
    let (a, b) = (Model::fit(&clean, None, &policy), Model::fit(&spoilt, None, &policy));
    assert_eq!(a.observations(), 200);
    assert_eq!(a.to_bytes(), b.to_bytes());
}

#[test]
fn a_row_of_little_weight_moves_little() {
    let mut world = World::new(9);
    let policy = ModelPolicy::published();
    let mut rows = world.runs(400);
    let at = rows[0].features;
    let before = Model::fit(&rows, None, &policy).predict(&at).ln_fps;
    let mut moved = |weight: f64| {
        rows.truncate(400);
        let odd = Observation { features: at, ln_fps: before + 0.03, ln_low_ratio: None, weight };
        rows.extend([odd; 3]);
        Model::fit(&rows, None, &policy).predict(&at).ln_fps - before
    };
    let (light, full) = (moved(0.1), moved(1.0));
    assert!(light > 0.0 && full > 3.0 * light, "{light} {full}");
}

#[test]
fn the_low_is_shrunken_towards_what_many_show() {
    let mut world = World::new(11);
    let policy = ModelPolicy::published();
    let none = Model::prior(&policy).predict_low(&nobody());
    let expected = policy.low.mean - predict::loss(&Model::prior(&policy), &nobody()).0;
    near(none.ln_low_ratio, expected, 1e-15);
    let sds = [0.2_f64, 0.15, 0.1, 0.04, 0.03];
    // A card whose memory is not known may be short of it.
    let (loss, doubt) = predict::loss(&Model::prior(&policy), &nobody());
    let short = (1.0 + 1.0) * loss * loss + (1.0 + 1.0) * doubt;
    near(none.variance, sds.iter().map(|sd| sd * sd).sum::<f64>() + short, 1e-15);
    let model = Model::fit(&world.runs(1200), None, &policy);
    for _ in 0..50 {
        let features = world.run().0.features;
        let p = model.predict_low(&features);
        near(p.ln_low_ratio, -0.3 - 0.05 * f64::from(features.stage % 3), 0.035);
        assert!(p.variance > 0.0 && p.variance < 0.006, "{}", p.variance);
        near(p.sigma, 0.04, 0.006);
    }
}
