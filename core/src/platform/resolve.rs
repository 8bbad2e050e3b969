//! Each claim beside the catalogue entry it means.

use chrono::NaiveDate;

use crate::catalogue::{
    Card, Catalogue, Chip, Cpu, DriverRelease, PciId, Scene, Workload, WorkloadBuild, normalise,
};
use crate::finding::{Finding, Rule, Severity};
use crate::policy::platform as limits;
use crate::run::{Bench, BenchClaim, Run};

/// A run with what the catalogue knows of each of its parts.
pub(super) struct Resolved<'a> {
    pub(super) run: &'a Run,
    pub(super) bench: &'a Bench,
    pub(super) catalogue: &'a Catalogue,
    pub(super) card: Option<&'a Card>,
    /// Whether neither id nor name but the PCI id told the card.
    pub(super) card_by_pci: bool,
    /// The chip of the card.
    pub(super) chip: Option<&'a Chip>,
    /// The chip that answers with the claimed PCI id.
    pub(super) pci_chip: Option<&'a Chip>,
    pub(super) release: Release<'a>,
    pub(super) cpu: Option<&'a Cpu>,
    pub(super) workload: Option<&'a Workload>,
    pub(super) scene: Option<&'a Scene>,
    pub(super) build: Option<&'a WorkloadBuild>,
}

/// What the catalogue knows of the driver.
pub(super) enum Release<'a> {
    /// One release.
    Known(&'a DriverRelease),
    /// The version, but it has several builds and the run does not say which.
    BuildNotStated(Vec<&'a DriverRelease>),
    /// Nothing.
    Unknown,
}

impl<'a> Release<'a> {
    /// The releases it can be.
    pub(super) fn candidates(&self) -> &[&'a DriverRelease] {
        match self {
            Release::Known(release) => std::slice::from_ref(release),
            Release::BuildNotStated(releases) => releases,
            Release::Unknown => &[],
        }
    }
}

impl<'a> Resolved<'a> {
    pub(super) fn new(run: &'a Run, bench: &'a Bench, catalogue: &'a Catalogue) -> Resolved<'a> {
        let pci_chip = pci_id(run).and_then(|id| catalogue.chip_of_pci(&id));
        let named = [&run.card.id, &run.card.name].into_iter().flatten().find_map(|l| catalogue.card(l));
        let by_pci = || pci_chip.and_then(|chip| only_card(catalogue, chip, run.card.memory_mib));
        let card = named.or_else(by_pci);
        let workload = catalogue.workload(&run.workload.title);
        Resolved {
            run,
            bench,
            catalogue,
            card,
            card_by_pci: named.is_none() && card.is_some(),
            chip: card.and_then(|c| catalogue.chip(&c.chip)),
            pci_chip,
            release: release(run, catalogue),
            cpu: catalogue.cpu(&bench.cpu.model),
            workload,
            scene: workload.and_then(|w| w.scene(&run.workload.scene.name)),
            build: workload.zip(run.workload.build.as_deref()).and_then(|(w, b)| w.build(b)),
        }
    }

    /// JSON pointer to a place in the bench; to the reference when the run only refers to one.
    pub(super) fn bench_pointer(&self, place: &str) -> String {
        match self.run.bench {
            BenchClaim::Inline(_) => format!("/bench{place}"),
            BenchClaim::Reference { .. } => "/bench/id".to_owned(),
        }
    }

    /// The day of the run, UTC.
    pub(super) fn day(&self) -> NaiveDate {
        self.run.measured_at.date_naive()
    }

    /// JSON pointer to the claim that names the card.
    pub(super) fn card_pointer(&self) -> &'static str {
        if self.run.card.id.is_some() {
            "/card/id"
        } else if self.run.card.name.is_some() {
            "/card/name"
        } else {
            "/card"
        }
    }
}

/// The claimed PCI id, when vendor and device are both given.
pub(super) fn pci_id(run: &Run) -> Option<PciId> {
    Some(PciId { vendor: run.card.pci_vendor_id.clone()?, device: run.card.pci_device_id.clone()? })
}

/// Whether a claimed card memory size is that of the catalogue.
pub(super) fn memory_fits(claimed_mib: u64, catalogue_mib: u64) -> bool {
    (claimed_mib as f64 / catalogue_mib as f64 - 1.0).abs() <= limits::CARD_MEMORY_TOLERANCE
}

/// The card on a chip, if only one can be meant.
fn only_card<'a>(catalogue: &'a Catalogue, chip: &Chip, memory_mib: Option<u64>) -> Option<&'a Card> {
    let mut fitting = catalogue
        .cards_of_chip(&chip.id)
        .filter(|card| memory_mib.is_none_or(|claimed| memory_fits(claimed, card.memory_mib)));
    let card = fitting.next()?;
    fitting.next().is_none().then_some(card)
}

fn release<'a>(run: &Run, catalogue: &'a Catalogue) -> Release<'a> {
    let claim = &run.driver;
    let mut releases = catalogue.driver_versions(&claim.vendor, &claim.version);
    if let Some(build) = &claim.build {
        let build = normalise(build);
        let of_build = releases.iter().find(|r| r.build.as_deref().is_some_and(|b| normalise(b) == build));
        return match (of_build, releases.as_slice()) {
            (Some(release), _) => Release::Known(release),
            // A version without builds in the catalogue is one release, whatever its package is called.
            (None, [only]) if only.build.is_none() => Release::Known(only),
            _ => Release::Unknown,
        };
    }
    if let Some(version_level) = releases.iter().find(|r| r.build.is_none()) {
        return Release::Known(version_level);
    }
    if let Some(date) = claim.date
        && let [of_date] = releases.iter().filter(|r| r.date == date).collect::<Vec<_>>()[..]
    {
        return Release::Known(of_date);
    }
    match releases.len() {
        0 => Release::Unknown,
        1 => Release::Known(releases.remove(0)),
        _ => Release::BuildNotStated(releases),
    }
}

/// A part that was first sold after the run; `what` names it in the advice.
pub(super) fn sold_after_run(
    rule: &Rule,
    what: &str,
    name: &str,
    launch_date: NaiveDate,
    day: NaiveDate,
) -> Option<Finding> {
    let early = (launch_date - day).num_days();
    if early <= limits::LAUNCH_SLACK_DAYS {
        return None;
    }
    let severity = if early > limits::LAUNCH_IMPOSSIBLE_DAYS { Severity::Reject } else { Severity::Hold };
    let message = format!("{name} was first sold on {launch_date}, {early} days after the run.");
    Some(
        Finding::new(rule.code, severity, "/measured_at", message)
            .advice(format!("Check the clock of the bench and the name of the {what}."))
            .evidence("launch_date", launch_date.to_string())
            .evidence("measured_on", day.to_string())
            .evidence("days", early),
    )
}
