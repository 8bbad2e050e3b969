//! PCI ids against the chip of the named card.

use super::card::RULE_MOBILE;
use super::resolve::{Resolved, pci_id};
use crate::catalogue::{Chip, Form};
use crate::finding::{Finding, Rule, Severity};

pub(super) const RULE_VENDOR: Rule = Rule {
    code: "pci-vendor",
    severity: Severity::Reject,
    explanation: "The PCI vendor id is not that of the maker of the card's chip.",
};

pub(super) const RULE_CHIP: Rule = Rule {
    code: "pci-id-of-other-chip",
    severity: Severity::Reject,
    explanation: "The PCI id is that of another chip than the named card's.",
};

pub(super) const RULE_NOT_LISTED: Rule = Rule {
    code: "pci-id-not-listed",
    severity: Severity::Hold,
    explanation: "The catalogue lists the PCI ids of the card's chip, and this one is not among them: another chip, or a gap in the catalogue.",
};

pub(super) const RULE_SUBSYSTEM: Rule = Rule {
    code: "pci-subsystem",
    severity: Severity::Remark,
    explanation: "The PCI subsystem id is one that no board has; it is ignored.",
};

const READ_AGAIN: &str =
    "Read the ids again from the operating system's device list, and name the card they belong to.";

pub(super) fn check(resolved: &Resolved<'_>, findings: &mut Vec<Finding>) {
    let (Some(card), Some(chip)) = (resolved.card, resolved.chip.filter(|c| !c.pci_ids.is_empty())) else {
        return;
    };
    let claim = &resolved.run.card;
    let Some(vendor) = claim.pci_vendor_id.as_deref() else { return };
    if chip.pci_ids.iter().all(|id| !id.vendor.eq_ignore_ascii_case(vendor)) {
        let owner = resolved.catalogue.chips_of_pci_vendor(vendor).next();
        findings.push(
            Finding::new(
                RULE_VENDOR.code,
                RULE_VENDOR.severity,
                "/card/pci_vendor_id",
                match owner {
                    Some(other) => format!(
                        "{vendor} is the PCI vendor id of {}, but {} has a chip of {}.",
                        other.vendor, card.name, chip.vendor
                    ),
                    None => format!(
                        "{vendor} is not the PCI vendor id of {}, the maker of the chip of {}.",
                        chip.vendor, card.name
                    ),
                },
            )
            .advice(READ_AGAIN)
            .evidence("claimed", vendor)
            .evidence("listed", listed(chip)),
        );
        return;
    }
    let Some(id) = pci_id(resolved.run) else { return };
    match resolved.pci_chip {
        Some(other) if other.id == chip.id => {}
        Some(other) => {
            findings.push(other_chip(resolved, other, chip).evidence("claimed", id.device.as_str()))
        }
        None => findings.push(
            Finding::new(
                RULE_NOT_LISTED.code,
                RULE_NOT_LISTED.severity,
                "/card/pci_device_id",
                format!(
                    "{} is not among the PCI device ids of {}, the chip of {}.",
                    id.device, chip.name, card.name
                ),
            )
            .advice(READ_AGAIN)
            .evidence("claimed", id.device.as_str())
            .evidence("listed", listed(chip)),
        ),
    }
}

/// The finding for a PCI id that belongs to a chip other than the named card's.
fn other_chip(resolved: &Resolved<'_>, other: &Chip, chip: &Chip) -> Finding {
    let named = resolved.card.map_or("", |c| c.name.as_str());
    let form = |wanted: Form| {
        let mut cards = resolved.catalogue.cards_of_chip(&other.id).peekable();
        cards.peek().is_some() && cards.all(|c| c.form == wanted)
    };
    let desktop = resolved.card.is_some_and(|c| c.form == Form::Desktop);
    let (rule, message) = if desktop && form(Form::Mobile) {
        (
            RULE_MOBILE,
            format!("The PCI id is that of {}, a mobile part, but {named} is a desktop card.", other.name),
        )
    } else {
        (RULE_CHIP, format!("The PCI id is that of {}, but {named} is built on {}.", other.name, chip.name))
    };
    let cards: Vec<&str> = resolved.catalogue.cards_of_chip(&other.id).map(|c| c.id.as_str()).collect();
    Finding::new(rule.code, rule.severity, "/card/pci_device_id", message)
        .advice(READ_AGAIN)
        .evidence("chip_of_pci_id", other.id.as_str())
        .evidence("chip_of_card", chip.id.as_str())
        .evidence("cards_of_pci_id", cards)
}

fn listed(chip: &Chip) -> Vec<String> {
    chip.pci_ids.iter().map(|id| format!("{}:{}", id.vendor, id.device)).collect()
}

pub(super) fn check_subsystem(resolved: &Resolved<'_>, findings: &mut Vec<Finding>) {
    let Some(text) = resolved.run.card.pci_subsystem_id.as_deref() else { return };
    let digits = text.strip_prefix("0x").unwrap_or(text);
    let parsed = u32::from_str_radix(digits, 16).ok().filter(|_| digits.len() == 8);
    // Device, then vendor; 0000 and ffff are what an empty register reads as, no vendor has them.
    if parsed.is_some_and(|id| !matches!(id & 0xffff, 0 | 0xffff)) {
        return;
    }
    findings.push(
        Finding::new(
            RULE_SUBSYSTEM.code,
            RULE_SUBSYSTEM.severity,
            "/card/pci_subsystem_id",
            format!("{text} is not a subsystem id of a board; it is ignored."),
        )
        .advice("Give 0x, four hexadecimal digits of the subsystem device and four of the subsystem vendor, or leave it out.")
        .evidence("claimed", text),
    );
}
