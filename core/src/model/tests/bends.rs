//! Where the rate bends: at the memory's edge, at the corner of card and platform, and on plateaus.

use super::*;

/// Runs of the world whose cards 0 to 5 have little memory and lose what the model's own curve does not say: a step
/// to a tenth once the preset wants more than there is, then 0.35 per unit beyond.
fn short_of_memory(world: &mut World, count: usize) -> Vec<Observation> {
    let mut rows = world.runs(count);
    for row in &mut rows {
        row.features.memory_mib =
            [2048, 2048, 2048, 4096, 4096, 4096, 16384][row.features.card.min(6) as usize];
        let wanted = 1700.0
            * 1.45_f64.powf(row.features.preset_rank)
            * (1.0 + 0.25 * (row.features.ln_pixels + 0.575));
        let over = wanted / f64::from(row.features.memory_mib) - 1.0;
        row.ln_fps -= if over > 0.0 { (0.1 + 0.35 * over).min(0.45) } else { 0.0 };
    }
    rows
}

#[test]
fn what_memory_too_small_costs_is_learned_across_cards_and_sizes() {
    let policy = ModelPolicy::published();
    let median_off = |seed: u64| {
        let mut world = World::new(seed);
        let mut rows = short_of_memory(&mut world, 1500);
        // A card that nobody has seen at the heaviest preset, where it loses most.
        let unseen = |row: &Observation| row.features.card == 1 && row.features.preset_rank == 2.0;
        let asked: Vec<Observation> = rows.iter().copied().filter(unseen).collect();
        rows.retain(|row| !unseen(row));
        let model = Model::fit(&rows, None, &policy);
        let mut off: Vec<f64> =
            asked.iter().map(|row| model.predict(&row.features).ln_fps - row.ln_fps).collect();
        off.sort_by(f64::total_cmp);
        off[off.len() / 2].abs()
    };
    let mut off: Vec<f64> = (10..16).map(median_off).collect();
    off.sort_by(f64::total_cmp);
    // The step at the edge is what the curve cannot follow.
    assert!(off[2] < 0.02 && off[5] < 0.07, "{off:?}");
}

/// A model that takes every card to be short of memory in every workload, and all rates to be higher by what that costs,
/// predicts what it was fitted to about as well as another. From there short steps do not lead out.
#[test]
fn a_model_that_lost_its_way_finds_back_once_the_rows_have_grown() {
    let policy = ModelPolicy::published();
    let mut world = World::new(11);
    let rows = short_of_memory(&mut world, 2000);
    let mut lost = Model::fit(&rows[..1500], None, &policy);
    for (key, value) in lost.keys.iter().zip(&mut lost.values) {
        match usize::from(key.term) {
            terms::NEED_WORKLOAD => *value += 3.0,
            terms::WORKLOAD => *value += 0.4,
            _ => (),
        }
    }
    let saturated = |model: &Model| {
        let of = |row: &Observation| predict::loss(model, &row.features).0 > 0.42;
        rows.iter().filter(|row| of(row)).count() as f64 / rows.len() as f64
    };
    let still = (0..3).fold(lost.clone(), |start, _| Model::fit(&rows[..1510], Some(&start), &policy));
    let found = Model::fit(&rows, Some(&lost), &policy);
    assert!(saturated(&lost) > 0.8, "{}", saturated(&lost));
    assert!(saturated(&still) > 0.5, "{}", saturated(&still));
    assert!(saturated(&found) < 0.1, "{}", saturated(&found));
}

#[test]
fn where_memory_surely_fits_nothing_is_in_doubt_and_where_it_may_not_much_is() {
    let policy = ModelPolicy::published();
    let sd = |memory_mib: u32, preset_rank: f64| {
        let known = Features { memory_mib, preset_rank, ..nobody() };
        predict::loss(&Model::prior(&policy), &known).1.sqrt()
    };
    assert!(sd(24576, 0.0) < 0.01, "{}", sd(24576, 0.0));
    assert!(sd(2048, 2.0) > 0.1, "{}", sd(2048, 2.0));
}

#[test]
fn slopes_of_the_rate_are_its_derivatives() {
    let policy = ModelPolicy::published();
    for sums in [[4.0, 4.6, -2.0, 2.0, 0.01], [4.5, 4.4, 0.1, 1.2, 0.0], [5.5, 4.0, 0.6, 1.9, -0.02]] {
        let found = rate::rate(&sums, &policy);
        for side in 0..terms::SIDES {
            let moved = |by: f64| {
                let mut there = sums;
                there[side] += by;
                rate::rate(&there, &policy).value
            };
            near(found.slopes[side], (moved(1e-5) - moved(-1e-5)) / 2e-5, 1e-8);
        }
        near(found.value, softmin(sums[0] - loss_at(sums[2]), sums[1], sums[3].exp()) + sums[4], 1e-12);
    }
}

fn loss_at(pressure: f64) -> f64 {
    0.45 / (1.0 + (-4.0 * pressure).exp())
}

#[test]
fn moments_of_the_loss_are_those_of_a_fine_sum() {
    let policy = ModelPolicy::published();
    for (pressure, sd) in [(-1.0, 0.3), (0.0, 0.5), (-0.4, 0.15)] {
        let (mut weight, mut first, mut second) = (0.0, 0.0, 0.0);
        for at in -4000..=4000 {
            let x = f64::from(at) / 500.0;
            let (density, loss) = ((-0.5 * x * x).exp(), loss_at(pressure + sd * x));
            (weight, first, second) =
                (weight + density, first + density * loss, second + density * loss * loss);
        }
        let (mean, variance) = rate::expected_loss(pressure, sd * sd, &policy);
        near(mean, first / weight, 2e-4);
        near(variance.sqrt(), (second / weight - (first / weight).powi(2)).sqrt(), 3e-3);
    }
}

#[test]
fn a_card_whose_first_runs_were_far_too_fast_is_found_again_by_slow_ones() {
    let policy = ModelPolicy::published();
    let mut world = World::new(12);
    let mut rows: Vec<Observation> =
        world.runs(1500).into_iter().filter(|row| row.features.card != 3).collect();
    world.cards[3] = 2.6;
    let mut slow: Vec<(Observation, f64)> = Vec::new();
    while slow.len() < 30 {
        slow.extend(Some(world.run()).filter(|(row, _)| row.features.card == 3));
    }
    // Two runs of another, much faster card under its name; after that the model takes it for fast.
    let fast = |(row, truth): &(Observation, f64)| Observation { ln_fps: truth + 1.9, ..*row };
    rows.extend(slow[..2].iter().map(fast));
    let wrong = Model::fit(&rows, None, &policy);
    rows.extend(slow[2..14].iter().map(|(row, _)| *row));
    let (warm, cold) = (Model::fit(&rows, Some(&wrong), &policy), Model::fit(&rows, None, &policy));
    for (row, truth) in &slow[14..] {
        assert!(wrong.predict(&row.features).ln_fps > truth + 0.5, "the model was led astray at first");
        near(warm.predict(&row.features).ln_fps, *truth, 0.1);
        near(cold.predict(&row.features).ln_fps, *truth, 0.1);
    }
}

#[test]
fn how_sharp_the_corner_is_is_learned_by_workload() {
    let policy = ModelPolicy::published();
    let mut world = World::new(13);
    let mut rows = world.runs(2500);
    for row in &mut rows {
        // Workload 0 has its two sides overlap far less than the others.
        if row.features.workload == 0 {
            let f = row.features;
            let card = world.cards[f.card as usize]
                + world.workloads[0]
                + world.stages[f.stage as usize]
                + world.presets[f.preset as usize]
                - 0.75 * f.ln_pixels;
            let platform = world.cpus[f.cpu as usize] + world.workloads_cpu[0];
            row.ln_fps += softmin(card, platform, 3.0) - softmin(card, platform, 8.0);
        }
    }
    let model = Model::fit(&rows, None, &policy);
    let sharpness = |workload: u64| {
        let value = |key: &Key| model.index.get(key).map_or(0.0, |at| model.values[*at as usize]);
        let term = |term: usize, ids: [u64; 3]| value(&Key { term: term as u8, ids });
        (term(terms::SHARPNESS, [0; 3]) + term(terms::SHARPNESS_WORKLOAD, [workload, 0, 0])).exp()
    };
    assert!((2.3..4.2).contains(&sharpness(0)), "{}", sharpness(0));
    assert!(sharpness(1) > 5.5, "{}", sharpness(1));
}
