//! Wanted runs in plain words.

use std::collections::BTreeMap;

use super::cost::{At, pass_s};
use super::gain::{Of, Part};
use super::known::Known;
use super::{Effect, Plan, Total, WantedRun};
use crate::judge::rules::FLASHING;

/// Effects of one candidate that are listed, those with the greatest gain.
const LISTED: usize = 12;

/// Effects of each kind that a plan lists.
const OF_EACH: usize = 4;

const SWAPPING: &str = "Caution: before a card or a cable is touched, shut the machine down, unplug it and wait until the capacitors of the supply have discharged; never open the supply. Check that supply and cables are rated for the card. Cards and coolers get hot enough to burn: let them cool. Follow local rules, and leave to qualified people what you are not sure of.";

const DRIVER: &str = "Drivers: take releases from the maker of the card only, save your work and make a restore point first, and note which release was installed; a release that fails may leave a dark screen until the next restart in safe mode.";

/// A run in the catalogue's words.
pub(super) fn run(known: &Known<'_>, (setting, release): At) -> WantedRun {
    let of = &known.settings[setting];
    let workload = &known.workloads[of.workload];
    let mut caveats = Vec::new();
    if of.short {
        caveats.push("its 1% low falls short of the target, so that fewer people play there");
    }
    if of.free {
        caveats.push("the scene has no fixed path, and repeats several times worse");
    }
    WantedRun {
        workload: workload.id.clone(),
        scene: of.scene.clone(),
        build: workload.build.clone(),
        api: of.api.clone(),
        preset: of.preset.clone(),
        width: of.width,
        height: of.height,
        driver: known.releases[release].id.clone(),
        mean_fps: of.mean_fps,
        passes: known.policy.wanted.passes,
        pass_s: pass_s(of, &known.policy.wanted) as u32,
        caveat: (!caveats.is_empty()).then(|| caveats.join("; ")),
    }
}

/// What it is wanted for most.
pub(super) fn why(known: &Known<'_>, parts: &[Part]) -> String {
    let most = parts.iter().max_by(|a, b| a.points.total_cmp(&b.points));
    most.map_or_else(String::new, |part| sentence(known, part))
}

fn kind(of: Of) -> &'static str {
    match of {
        Of::Median(_) => "median",
        Of::First(_) => "first figure",
        Of::Step(_) => "track",
        Of::Held(..) => "held run",
        Of::Ladder(_) => "ladder",
        Of::Failure(..) => "failure",
    }
}

/// The effects, the greatest gain first.
pub(super) fn effects(known: &Known<'_>, parts: &[Part]) -> Vec<Effect> {
    let mut parts: Vec<&Part> = parts.iter().collect();
    parts.sort_by(|a, b| b.points.total_cmp(&a.points).then_with(|| a.of.cmp(&b.of)));
    parts.into_iter().take(LISTED).map(|part| effect(known, part)).collect()
}

fn effect(known: &Known<'_>, part: &Part) -> Effect {
    let percent = |half: f64| 100.0 * half.exp_m1();
    Effect {
        kind: kind(part.of).to_owned(),
        why: sentence(known, part),
        points: part.points,
        before_percent: part.halves.map(|(before, _)| percent(before)),
        after_percent: part.halves.map(|(_, after)| percent(after)),
    }
}

/// Gains by kind, the greatest first, and the greatest effects of each.
pub(super) fn by_kind(known: &Known<'_>, parts: &[Part]) -> (Vec<Total>, Vec<Effect>) {
    let mut kinds: BTreeMap<&str, Vec<&Part>> = BTreeMap::new();
    for part in parts {
        kinds.entry(kind(part.of)).or_default().push(part);
    }
    let points = |parts: &[&Part]| parts.iter().map(|part| part.points).sum::<f64>();
    let mut kinds: Vec<(&str, Vec<&Part>)> = kinds.into_iter().collect();
    kinds.sort_by(|a, b| points(&b.1).total_cmp(&points(&a.1)));
    let mut effects = Vec::new();
    let mut totals = Vec::new();
    for (kind, mut parts) in kinds {
        parts.sort_by(|a, b| b.points.total_cmp(&a.points).then_with(|| a.of.cmp(&b.of)));
        totals.push(Total { kind: kind.to_owned(), figures: parts.len() as u32, points: points(&parts) });
        effects.extend(parts.into_iter().take(OF_EACH).map(|part| effect(known, part)));
    }
    (totals, effects)
}

fn sentence(known: &Known<'_>, part: &Part) -> String {
    let setting = |at: usize| {
        let of = &known.settings[at];
        let workload = &known.workloads[of.workload].id;
        format!("{workload} {} {} {}x{}", of.scene, of.preset, of.width, of.height)
    };
    match part.of {
        Of::Median(at) => {
            let n = known.settings[at].contributors;
            let others = if n == 1 { "one contributor".to_owned() } else { format!("{n} contributors") };
            format!("the median of {} rests on {others}", setting(at))
        }
        Of::First(at) => format!("nobody has measured {} on this card yet", setting(at)),
        Of::Step(step) => {
            let (from, to) = (&known.releases[step], &known.releases[step + 1]);
            let told = known.change(step);
            format!("what {} did after {} {told}", to.id, from.id)
        }
        Of::Held(at, same) => {
            let held = &known.waiting[at];
            let beside = if same { "" } else { ", beside it" };
            format!(
                "run {} is held for its rate ({:+.0} % from what is expected) until another contributor sees the same or not{beside}",
                held.run,
                100.0 * held.residual.exp_m1()
            )
        }
        Of::Ladder(at) => format!("no ladder says whether card or platform limits {}", setting(at)),
        Of::Failure(workload, release) => {
            let release = &known.releases[release];
            let how = release.failures.get(&workload).map_or("failed", |(how, _)| how);
            format!(
                "{} {how} on {} for one contributor; another can confirm it or not",
                known.workloads[workload].id, release.id
            )
        }
    }
}

/// What to mind.
pub(super) fn cautions(known: &Known<'_>, plan: Option<&Plan>) -> Vec<String> {
    let mut cautions = vec![SWAPPING.to_owned()];
    if let Some(watts) = known.board_power_w {
        cautions[0] +=
            &format!(" This card is rated {watts:.0} W beside what the rest of the machine takes.");
    }
    if plan.is_none_or(|plan| plan.stages.iter().any(|stage| stage.install_minutes > 0.0)) {
        cautions.push(DRIVER.to_owned());
    }
    if known.releases.iter().any(|r| r.failures.values().any(|(how, _)| *how == "drew wrongly")) {
        cautions.push(FLASHING.to_owned());
    }
    cautions
}
