//! For which of what the world planted there is enough evidence among the demo's accepted runs, by counts that do not look
//! at what is found.

use std::collections::{BTreeMap, BTreeSet};

use anyhow::Context;
use serde_json::Value;
use wearmark_core::table::frame::RunFrame;
use wearmark_seed_data::World;

use crate::cli::exit::Failure;

/// Benches that matched runs of a change take to be found four times in five at a p-value of 0.5 % (simulation study of
/// this project): of one workload, and of all together; each from that size of the change on, per cent.
const MATCHED: [[(f64, usize); 2]; 2] = [[(10.0, 3), (5.0, 4)], [(10.0, 4), (5.0, 7)]];

/// Benches with which a release is compared with the one before.
const BENCHES: usize = 3;

/// Share of the card from which a change of it shows in the rate whole.
const OF_THE_CARD: f64 = 0.75;

/// A cell: card, workload, scene, API, preset, width, height.
pub type Key = [String; 7];

/// The key of a row, of runs or of medians.
pub fn key(row: &Value) -> Key {
    ["card", "workload", "scene", "api", "preset", "width", "height"].map(|name| match row.get(name) {
        Some(Value::String(word)) => word.to_lowercase(),
        Some(number) => number.to_string(),
        None => String::new(),
    })
}

/// The accepted runs with figures.
pub struct Evidence(Vec<Value>);

fn word<'a>(run: &'a Value, name: &str) -> &'a str {
    run.get(name).and_then(Value::as_str).unwrap_or_default()
}

fn is_of_the_card(run: &Value, least: f64) -> bool {
    run.get("card_share").and_then(Value::as_f64).is_none_or(|share| share >= least)
}

impl Evidence {
    /// Reads them.
    ///
    /// # Errors
    /// When the table engine fails.
    pub fn of(frame: &RunFrame) -> Result<Evidence, Failure> {
        let mut runs = frame.export().context("the accepted runs cannot be read")?.json_rows();
        runs.retain(|run| run.get("mean_fps").is_some_and(|fps| !fps.is_null()));
        Ok(Evidence(runs))
    }

    /// Whether a change that `driver` brings to a card, of `workload` or of all, has the benches that its size takes.
    /// Counted are those that measured one configuration on one stated build with this release and with the one before,
    /// where the card sets the rate; the one before is the newest earlier one on which three benches measured the like.
    pub fn tells(&self, world: &World, card: &str, change: (&str, Option<&str>), percent: f64) -> bool {
        let (driver, workload) = change;
        let day = |driver: &str| world.catalogue().drivers.iter().find(|d| d.id == driver).map(|d| d.date);
        let runs: Vec<&Value> = self
            .0
            .iter()
            .filter(|run| word(run, "card") == card && workload.is_none_or(|w| word(run, "workload") == w))
            .filter(|run| is_of_the_card(run, OF_THE_CARD))
            .collect();
        let mut benches: BTreeMap<&str, BTreeSet<&str>> = BTreeMap::new();
        for run in runs.iter().filter(|run| day(word(run, "driver")) < day(driver)) {
            benches.entry(word(run, "driver")).or_default().insert(word(run, "bench"));
        }
        let earlier = benches.into_iter().filter(|(_, benches)| benches.len() >= BENCHES);
        let Some((before, _)) = earlier.max_by_key(|(driver, _)| day(driver)) else { return false };
        let mut sites: BTreeMap<(Key, [&str; 3]), BTreeSet<&str>> = BTreeMap::new();
        for run in runs.iter().filter(|run| !word(run, "build").is_empty()) {
            let names = ["variant", "build", "bench"].map(|name| word(run, name));
            sites.entry((key(run), names)).or_default().insert(word(run, "driver"));
        }
        let matched: BTreeSet<&str> = sites
            .iter()
            .filter(|(_, drivers)| drivers.contains(driver) && drivers.contains(before))
            .map(|((_, [.., bench]), _)| *bench)
            .collect();
        let of = MATCHED[usize::from(workload.is_none())];
        // A planted 0.1 is not 10.0 per cent to the last digit.
        let least = of.iter().find(|(size, _)| percent.abs() > size - 1e-6);
        least.is_some_and(|(_, least)| matched.len() >= *least)
    }

    /// Cells that some bench measured at a second resolution with the same driver and build.
    pub fn ladders(&self) -> BTreeSet<Key> {
        let mut ladders: BTreeMap<[&str; 8], BTreeSet<Key>> = BTreeMap::new();
        for run in &self.0 {
            let names = ["bench", "card", "workload", "scene", "api", "preset", "driver", "build"];
            ladders.entry(names.map(|name| word(run, name))).or_default().insert(key(run));
        }
        ladders.into_values().filter(|cells| cells.len() > 1).flatten().collect()
    }

    /// Cells whose scene three benches measured on cards of half as much memory again, where the card sets most of the
    /// rate by the model.
    pub fn memory(&self, world: &World) -> BTreeSet<Key> {
        let memory = |run: &Value| {
            let card = word(run, "card");
            world.catalogue().cards.iter().find(|c| c.id == card).map(|c| c.memory_mib)
        };
        let counts = |run: &&Value| {
            run.get("low_tail_mean_fps").is_some_and(|low| !low.is_null()) && is_of_the_card(run, 0.5)
        };
        let mut benches: BTreeMap<[&str; 2], Vec<(u64, &str)>> = BTreeMap::new();
        for run in self.0.iter().filter(counts) {
            if let Some(mib) = memory(run) {
                let scene = ["workload", "scene"].map(|name| word(run, name));
                benches.entry(scene).or_default().push((mib, word(run, "bench")));
            }
        }
        let enough = |run: &&Value| {
            let Some(least) = memory(run).map(|mib| 1.5 * mib as f64) else { return false };
            let all = benches.get(&["workload", "scene"].map(|name| word(run, name)));
            let larger = all.into_iter().flatten().filter(|(mib, _)| *mib as f64 >= least);
            larger.map(|(_, bench)| bench).collect::<BTreeSet<_>>().len() >= BENCHES
        };
        self.0.iter().filter(counts).filter(enough).map(key).collect()
    }
}

#[cfg(test)]
mod tests {
    use serde_json::json;
    use wearmark_seed_data::Size;

    use super::*;

    /// Two releases of one vendor, the older first.
    fn releases(world: &World) -> [&str; 2] {
        let drivers = &world.catalogue().drivers;
        let first = &drivers[0];
        let later = drivers.iter().find(|d| d.vendor == first.vendor && d.date > first.date);
        [first.id.as_str(), later.map_or("", |d| d.id.as_str())]
    }

    fn run(bench: usize, driver: &str, height: u32) -> Value {
        json!({
            "card": "c", "workload": "w", "scene": "s", "api": "a", "preset": "p", "width": height * 16 / 9,
            "height": height, "variant": "", "build": "1", "bench": format!("b-{bench}"), "driver": driver,
            "card_share": 0.9, "low_tail_mean_fps": 40.0,
        })
    }

    #[test]
    fn a_change_takes_benches_that_ran_both_releases_with_everything_else_the_same() {
        let world = World::new(1, Size::Small);
        let [before, after] = releases(&world);
        let tells = |runs: &[Value], workload: Option<&str>, percent: f64| {
            Evidence(runs.to_vec()).tells(&world, "c", (after, workload), percent)
        };
        let matched = |benches: usize| -> Vec<Value> {
            (0..benches).flat_map(|bench| [before, after].map(|driver| run(bench, driver, 1080))).collect()
        };
        // Of one workload three benches from 10 %, four from 5 %, none below; of all together four and seven.
        let counted =
            |workload, percent| [2, 3, 4, 6, 7].map(|benches| tells(&matched(benches), workload, percent));
        assert_eq!(counted(Some("w"), -10.0), [false, true, true, true, true]);
        assert_eq!(counted(Some("w"), 5.0), [false, false, true, true, true]);
        assert_eq!(counted(Some("w"), 4.0), [false; 5]);
        assert_eq!(counted(None, 10.0), [false, false, true, true, true]);
        assert_eq!(counted(None, -5.0), [false, false, false, false, true]);
        // A workload that nobody ran, another build, no build, the platform's rate.
        assert!(!tells(&matched(7), Some("v"), 10.0));
        for (name, value) in [("build", json!("2")), ("build", Value::Null), ("card_share", json!(0.7))] {
            let mut runs = matched(4);
            for run in runs.iter_mut().skip(1).step_by(2).take(2) {
                run[name] = value.clone();
            }
            assert!(!tells(&runs, Some("w"), 10.0), "{name}");
        }
    }

    #[test]
    fn a_ladder_is_one_bench_at_two_resolutions_with_one_driver() {
        let ladders = |runs: &[Value]| Evidence(runs.to_vec()).ladders().len();
        assert_eq!(ladders(&[run(1, "d", 720), run(1, "d", 1080), run(2, "d", 1440)]), 2);
        assert_eq!(ladders(&[run(1, "d", 720), run(2, "d", 1080)]), 0);
        assert_eq!(ladders(&[run(1, "d", 720), run(1, "e", 1080)]), 0);
    }

    #[test]
    fn memory_takes_three_benches_with_half_as_much_again() {
        let world = World::new(1, Size::Small);
        let mut cards = world.catalogue().cards.iter().collect::<Vec<_>>();
        cards.sort_by_key(|card| card.memory_mib);
        let (small, large) = (cards[0], cards[cards.len() - 1]);
        assert!(large.memory_mib as f64 >= 1.5 * small.memory_mib as f64);
        let of = |bench: usize, card: &str| {
            let mut run = run(bench, "d", 1080);
            run["card"] = json!(card);
            run
        };
        let told = |benches: usize| {
            let mut runs: Vec<Value> = (0..benches).map(|bench| of(bench, &large.id)).collect();
            runs.push(of(9, &small.id));
            Evidence(runs).memory(&world).iter().map(|key| key[0].clone()).collect::<Vec<String>>()
        };
        assert_eq!(told(2), Vec::<String>::new());
        assert_eq!(told(3), [small.id.to_lowercase()]);
    }
}
