//! Off the plateaus. Where a run is surely limited by its platform, the card's parameter may rise without any
//! prediction moving, and Gauss-Newton sees no way down; so a card whose first run was far too fast would be taken
//! for fast for good, however many slow runs follow, and each of them would look wrong. The same holds for a processor
//! seen only with slow cards. So before the steps each of these parameters alone is moved to where the penalised
//! objective is least on a grid, the others as they are.

use super::design::{Design, NONE};
use super::normal::t_loss;
use super::terms::{CARD, CPU, PRESET, STAGE, STAGE_CPU, WORKLOAD, WORKLOAD_CPU};
use crate::policy::model::ModelPolicy;

/// Effects that can rise out of sight.
const LEVELS: [usize; 7] = [CARD, CPU, WORKLOAD, WORKLOAD_CPU, STAGE, STAGE_CPU, PRESET];

/// Greatest distance on the grid, natural log: cards of one service differ by a factor of twenty.
const FARTHEST: f64 = 2.0;

/// Distance of grid points: a Gauss-Newton step finds its way from there.
const GRID: f64 = 0.2;

/// By how much the objective must fall: by chance it does by a unit or two.
const GAIN: f64 = 3.0;

/// Moves the values.
pub(super) fn leave(design: &Design, values: &mut [f64], variance: f64, policy: &ModelPolicy) {
    for effect in LEVELS {
        let mut rows: Vec<Vec<(usize, usize)>> = vec![Vec::new(); design.shared()];
        for (at, block) in design.blocks.iter().enumerate() {
            for row in block.rows.clone() {
                let parameter = design.rows[row].at[effect];
                if parameter != NONE {
                    rows[parameter as usize].push((at, row));
                }
            }
        }
        for (parameter, rows) in rows.iter().enumerate().filter(|(_, rows)| !rows.is_empty()) {
            let before = values[parameter];
            let mut objective = |value: f64| {
                values[parameter] = value;
                let (shared, local) = values.split_at(design.shared());
                let fit: f64 = rows
                    .iter()
                    .map(|(block, row)| {
                        let local = &local[design.blocks[*block].offset..];
                        let row = &design.rows[*row];
                        let now = row.evaluate(shared, local, policy);
                        t_loss(now.residual, row.variance(&now.slopes, variance.sqrt()), policy)
                    })
                    .sum();
                let off = value - design.mean[parameter];
                fit + 0.5 * design.precision[parameter] * off * off
            };
            let here = objective(before);
            let mut best = (here - GAIN, before);
            let steps = (FARTHEST / GRID).round() as i32;
            for step in (-steps..=steps).filter(|step| *step != 0) {
                let value = before + GRID * f64::from(step);
                let there = objective(value);
                if there < best.0 {
                    best = (there, value);
                }
            }
            values[parameter] = best.1;
        }
    }
}
