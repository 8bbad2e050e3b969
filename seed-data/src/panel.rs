//! What a bench measures on a card: mostly what the community agreed on as sensible for it, the same
//! each time, so that driver releases can be compared on like for like.

use wearmark_core::catalogue::WorkloadKind;

use crate::nature::Habits;
use crate::random::Random;
use crate::truth::{Situation, Truth};

/// Resolutions in use in the demo, smallest first.
pub(crate) const RESOLUTIONS: [(u32, u32); 4] = [(1280, 720), (1600, 900), (1920, 1080), (2560, 1440)];

/// One configuration of a bench's panel.
#[derive(Debug, Clone)]
pub(crate) struct Entry {
    pub(crate) workload: usize,
    pub(crate) scene: usize,
    pub(crate) preset: usize,
    pub(crate) api: usize,
    pub(crate) width: u32,
    pub(crate) height: u32,
    /// Further resolutions, measured beside the first now and then.
    pub(crate) ladder: Vec<(u32, u32)>,
}

pub(crate) fn draw(
    random: &mut Random,
    truth: &Truth,
    habits: &Habits,
    card: usize,
    system: &str,
) -> Vec<Entry> {
    let workloads = truth.catalogue.workloads.len();
    let mut weights: Vec<f64> = (0..workloads)
        .map(|w| {
            if usable_apis(truth, card, w, system).is_empty() {
                0.0
            } else {
                popularity(&truth.catalogue.workloads[w].id)
            }
        })
        .collect();
    let possible = weights.iter().filter(|w| **w > 0.0).count();
    let wanted = (habits.core + 1 + random.below(habits.others)).min(possible);
    let mut panel = Vec::with_capacity(wanted);
    for id in &BY_POPULARITY[..habits.core] {
        let found = truth.catalogue.workloads.iter().position(|w| w.id == *id);
        if let Some(workload) = found.filter(|&w| weights[w] > 0.0) {
            weights[workload] = 0.0;
            panel.push(entry(random, truth, habits, card, workload, system, true));
        }
    }
    while panel.len() < wanted {
        let workload = random.weighted(&weights);
        weights[workload] = 0.0;
        panel.push(entry(random, truth, habits, card, workload, system, false));
    }
    panel
}

/// Workloads, the first of which everybody measures in the same way: the programme that the community
/// agreed on. Without it hardly two contributors would ever measure the same thing. By how many benches measure them, most popular first.
const BY_POPULARITY: [&str; 16] = [
    "tollgate-five",
    "gravel-parish",
    "kite-wardens",
    "peatlight",
    "foundry-bells",
    "thirteenth-ferry",
    "lichenfall",
    "weftmeter",
    "nine-weirs",
    "turnip-front",
    "orrery-of-tin",
    "below-the-hayloft",
    "gantry-runners",
    "quarry-song",
    "the-cartwrights-debt",
    "low-tide-crews",
];

pub(crate) fn popularity(workload: &str) -> f64 {
    let rank = BY_POPULARITY.iter().position(|w| *w == workload).unwrap_or(BY_POPULARITY.len());
    libm::pow(1.0 + rank as f64, -1.0)
}

/// Interfaces by which a workload can run on a card and a system, by position, the one to be
/// preferred first. DirectX belongs to `Sill` here, so the community prefers what runs everywhere.
fn usable_apis(truth: &Truth, card: usize, workload: usize, system: &str) -> Vec<usize> {
    let chip = &truth.catalogue.chips[truth.chip(card)];
    let apis = &truth.catalogue.workloads[workload].apis;
    let mut usable: Vec<usize> = (0..apis.len())
        .filter(|&a| chip.apis.contains(&apis[a]) && (system == "Sill" || !apis[a].starts_with("DirectX")))
        .collect();
    let order = ["Vulkan", "OpenGL", "DirectX 12", "DirectX 11"];
    usable.sort_by_key(|&a| order.iter().position(|o| *o == apis[a]));
    usable
}

fn entry(
    random: &mut Random,
    truth: &Truth,
    habits: &Habits,
    card: usize,
    workload: usize,
    system: &str,
    core: bool,
) -> Entry {
    let apis = usable_apis(truth, card, workload, system);
    let api = if apis.len() > 1 && !core && random.chance(0.1) { apis[1] } else { apis[0] };
    let document = &truth.catalogue.workloads[workload];
    let scene = if document.scenes.len() > 1 && !core && random.chance(0.4) {
        1 + random.below(document.scenes.len() - 1)
    } else {
        0
    };
    let (mut preset, mut place) = sensible(truth, habits, card, workload, api);
    if !core && random.chance(0.2) {
        preset = (preset + random.below(3)).saturating_sub(1).min(document.presets.len() - 1);
    }
    if !core && random.chance(0.15) {
        place = (place + random.below(3)).saturating_sub(1).min(habits.resolutions.len() - 1);
    }
    let (width, height) = habits.resolutions[place];
    let ladder = if random.chance(0.3) {
        let mut others: Vec<(u32, u32)> = habits
            .resolutions
            .iter()
            .enumerate()
            .filter(|(at, _)| at.abs_diff(place) == 1)
            .map(|(_, r)| *r)
            .collect();
        if place == 2 && random.chance(0.5) {
            others.push(habits.resolutions[0]);
        }
        others
    } else {
        Vec::new()
    };
    Entry { workload, scene, preset, api, width, height, ladder }
}

/// Preset and resolution at which a card plays a workload well, or as well as it can: what somebody
/// who knows the card would measure.
fn sensible(truth: &Truth, habits: &Habits, card: usize, workload: usize, api: usize) -> (usize, usize) {
    let document = &truth.catalogue.workloads[workload];
    let (enough, plenty) = match document.kind {
        WorkloadKind::SinglePlayer => (44.0, 105.0),
        WorkloadKind::Multiplayer => (72.0, 150.0),
    };
    let at = |preset: usize, place: usize| Situation {
        card,
        driver: 0,
        workload,
        scene: 0,
        build: 0,
        api,
        preset,
        width: habits.resolutions[place].0,
        height: habits.resolutions[place].1,
    };
    let highest = document.presets.len() - 1;
    if libm::exp(truth.card_limit(&at(highest, 2))) > plenty {
        // One step more where there is one and the card can afford it.
        let last = habits.resolutions.len() - 1;
        let more = last > 3 && libm::exp(truth.card_limit(&at(highest, 3))) > plenty;
        return (highest, if more { last } else { 3 });
    }
    for place in [2, 1, 0] {
        for preset in (0..=highest).rev() {
            let situation = at(preset, place);
            if libm::exp(truth.card_limit(&situation)) >= enough {
                return (preset, place);
            }
        }
    }
    (0, 0)
}
