//! Readings against what the card can do.

use super::resolve::Resolved;
use crate::finding::{Finding, Rule, Severity, digits};
use crate::policy::platform as limits;
use crate::run::Telemetry;

pub(super) const RULE_COOLER: Rule = Rule {
    code: "cooler-than-room",
    severity: Severity::Hold,
    explanation: "The card is read as cooler than the room, which no air or water cooling can do: swapped or stale readings.",
};

pub(super) const RULE_HOT: Rule = Rule {
    code: "card-very-hot",
    severity: Severity::Remark,
    explanation: "The card is so hot that it slows itself down or is about to switch off.",
};

pub(super) const RULE_POWER: Rule = Rule {
    code: "board-power",
    severity: Severity::Hold,
    explanation: "The power reading is more than twice what the card is rated or limited to: the whole system's, or another card's.",
};

pub(super) const RULE_MEMORY: Rule = Rule {
    code: "memory-used",
    severity: Severity::Hold,
    explanation: "More card memory is read as used than the card has: another card, or a reading that counts the system's memory too.",
};

pub(super) fn check(resolved: &Resolved<'_>, findings: &mut Vec<Finding>) {
    let whole = resolved.run.telemetry.iter().map(|t| ("/telemetry".to_owned(), t));
    let passes = resolved.run.passes.iter().enumerate();
    let passes =
        passes.filter_map(|(at, p)| Some((format!("/passes/{at}/telemetry"), p.telemetry.as_ref()?)));
    for (pointer, readings) in whole.chain(passes) {
        temperature(&pointer, readings, findings);
        power(resolved, &pointer, readings, findings);
        memory(resolved, &pointer, readings, findings);
    }
}

fn temperature(pointer: &str, readings: &Telemetry, findings: &mut Vec<Finding>) {
    let pointer = format!("{pointer}/card_temperature_c");
    if let Some(over) = readings.over_ambient_k().filter(|k| *k < -limits::COOLER_SLACK_K) {
        findings.push(
            Finding::new(
                RULE_COOLER.code,
                RULE_COOLER.severity,
                pointer.clone(),
                format!("The card reads {} K cooler than the room.", digits(-over)),
            )
            .advice("Check whether the two readings are swapped, in degrees Celsius, and taken under load.")
            .evidence("over_ambient_k", digits(over)),
        );
    }
    if let Some(hot) = readings.card_temperature_c.filter(|c| *c >= limits::CARD_VERY_HOT_C) {
        findings.push(
            Finding::new(
                RULE_HOT.code,
                RULE_HOT.severity,
                pointer,
                format!("The card reached {} °C.", digits(hot)),
            )
            .advice("Stop and let it cool. Before touching it: power off, unplug, wait; surfaces stay hot for minutes. Clean the cooler, renew the paste, check the fans. Stop for good at smoke or smell, and leave mains parts to qualified people.")
            .evidence("card_temperature_c", digits(hot)),
        );
    }
}

fn power(resolved: &Resolved<'_>, pointer: &str, readings: &Telemetry, findings: &mut Vec<Finding>) {
    let (Some(card), Some(read)) = (resolved.card, readings.board_power_w) else { return };
    let rated = resolved.run.card.power_limit_w.unwrap_or(0.0).max(card.board_power_w);
    if read > limits::BOARD_POWER_FACTOR * rated {
        findings.push(
            Finding::new(
                RULE_POWER.code,
                RULE_POWER.severity,
                format!("{pointer}/board_power_w"),
                format!("{} W were read from a card rated or limited to {} W.", digits(read), digits(rated)),
            )
            .advice("Give the power of the card alone, not of the whole machine, and check which card was in the slot.")
            .evidence("board_power_w", digits(read))
            .evidence("rated_w", digits(rated))
            .evidence("ratio", digits(read / rated)),
        );
    }
}

fn memory(resolved: &Resolved<'_>, pointer: &str, readings: &Telemetry, findings: &mut Vec<Finding>) {
    let (Some(card), Some(used)) = (resolved.card, readings.memory_used_mib) else { return };
    let has = card.memory_mib as f64;
    if used > limits::MEMORY_USED_FACTOR * has {
        findings.push(
            Finding::new(
                RULE_MEMORY.code,
                RULE_MEMORY.severity,
                format!("{pointer}/memory_used_mib"),
                format!("{} MiB of card memory were read as used; {} has {}.", digits(used), card.name, card.memory_mib),
            )
            .advice("Give the card's own memory in MiB, without what it borrows from the system, and check which card was in the slot.")
            .evidence("memory_used_mib", digits(used))
            .evidence("card_mib", card.memory_mib),
        );
    }
}
