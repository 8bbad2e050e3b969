//! The card against its catalogue entry.

use super::resolve::{Resolved, memory_fits, sold_after_run};
use crate::catalogue::Form;
use crate::finding::{Finding, Rule, Severity};

pub(super) const RULE_NAMES_DIFFER: Rule = Rule {
    code: "card-id-and-name-differ",
    severity: Severity::Hold,
    explanation: "The claimed id and the claimed name are two different cards of the catalogue.",
};

pub(super) const RULE_BY_PCI: Rule = Rule {
    code: "card-named-by-pci-id",
    severity: Severity::Remark,
    explanation: "The catalogue does not know the claimed name; the PCI id says which card it is.",
};

pub(super) const RULE_MEMORY: Rule = Rule {
    code: "card-memory-size",
    severity: Severity::Reject,
    explanation: "The card does not exist with that memory size: it is another card, or the figure is another memory's.",
};

pub(super) const RULE_LAUNCH: Rule = Rule {
    code: "card-launched-after-run",
    severity: Severity::Reject,
    explanation: "The run is dated before the card was sold; a few weeks before are held, since test samples exist.",
};

pub(super) const RULE_MOBILE: Rule = Rule {
    code: "mobile-named-as-desktop",
    severity: Severity::Reject,
    explanation: "The PCI id is that of a mobile part while a desktop card is named; words of the claim that say so are held only.",
};

/// Words that say that a part sits in a portable machine.
const MOBILE_WORDS: [&str; 5] = ["mobile", "laptop", "notebook", "portable", "mxm"];

pub(super) fn check_names(resolved: &Resolved<'_>, findings: &mut Vec<Finding>) {
    let claim = &resolved.run.card;
    if let (Some(card), true) = (resolved.card, resolved.card_by_pci) {
        findings.push(
            Finding::new(
                RULE_BY_PCI.code,
                RULE_BY_PCI.severity,
                resolved.card_pointer(),
                format!(
                    "The PCI id says that the card is {}; the catalogue does not know the claimed name.",
                    card.name
                ),
            )
            .advice("Name the card by its catalogue id next time.")
            .evidence("claimed", claim.label())
            .evidence("card", card.id.as_str()),
        );
    }
    let named = |label: &Option<String>| label.as_deref().and_then(|l| resolved.catalogue.card(l));
    if let (Some(by_id), Some(by_name)) = (named(&claim.id), named(&claim.name))
        && by_id.id != by_name.id
    {
        findings.push(
            Finding::new(
                RULE_NAMES_DIFFER.code,
                RULE_NAMES_DIFFER.severity,
                "/card/name",
                format!("The id is that of {}, the name that of {}.", by_id.name, by_name.name),
            )
            .advice("Give one of them, and read it off the card.")
            .evidence("by_id", by_id.id.as_str())
            .evidence("by_name", by_name.id.as_str()),
        );
    }
}

pub(super) fn check_memory(resolved: &Resolved<'_>, findings: &mut Vec<Finding>) {
    let (Some(card), Some(claimed)) = (resolved.card, resolved.run.card.memory_mib) else { return };
    if memory_fits(claimed, card.memory_mib) {
        return;
    }
    let sibling = resolved.catalogue.cards_of_chip(&card.chip).find(|c| memory_fits(claimed, c.memory_mib));
    let advice = match sibling {
        Some(other) => format!("If the card has {claimed} MiB it is {} (id {}); submit under that id.", other.name, other.id),
        None => "Read the size off the card or from the driver, in MiB (4 GiB are 4096 MiB), and name the card it belongs to.".to_owned(),
    };
    findings.push(
        Finding::new(
            RULE_MEMORY.code,
            RULE_MEMORY.severity,
            "/card/memory_mib",
            format!("{} has {} MiB of memory, not {claimed}.", card.name, card.memory_mib),
        )
        .advice(advice)
        .evidence("claimed_mib", claimed)
        .evidence("card_mib", card.memory_mib)
        .evidence("fitting_card", sibling.map(|c| c.id.as_str())),
    );
}

pub(super) fn check_launch(resolved: &Resolved<'_>, findings: &mut Vec<Finding>) {
    let Some(card) = resolved.card else { return };
    findings.extend(sold_after_run(&RULE_LAUNCH, "card", &card.name, card.launch_date, resolved.day()));
}

/// The PCI side of the rule is in `pci`, where the chip of the id is known.
pub(super) fn check_mobile_words(resolved: &Resolved<'_>, findings: &mut Vec<Finding>) {
    let Some(card) = resolved.card.filter(|c| c.form == Form::Desktop) else { return };
    let claim = &resolved.run.card;
    for (text, pointer) in [(&claim.name, "/card/name"), (&claim.variant, "/card/variant")] {
        let Some(text) = text.as_deref() else { continue };
        let lower = text.to_lowercase();
        let word = lower.split(|c: char| !c.is_alphanumeric()).find(|w| MOBILE_WORDS.contains(w));
        if let Some(word) = word {
            findings.push(
                Finding::new(
                    RULE_MOBILE.code,
                    Severity::Hold,
                    pointer,
                    format!("“{text}” speaks of a mobile part, but {} is a desktop card.", card.name),
                )
                .advice(
                    "Name the mobile part by its own id; it is another card, with other clocks and limits.",
                )
                .evidence("word", word)
                .evidence("card", card.id.as_str()),
            );
        }
    }
}
