//! Whether a price report counts: codes and dates against the catalogue, the amount against other contributors' prices.

use chrono::NaiveDate;
use serde::{Deserialize, Serialize};

use super::country::is_country;
use super::currency::Currency;
use super::{PriceFact, PriceReport, day_of};
use crate::catalogue::{Catalogue, normalise};
use crate::finding::{Finding, Rule, Severity, digits};
use crate::policy::price::PricePolicy;
use crate::statistics::{quantile::median, robust};
use crate::table::interval::moderated_variance;
use crate::verdict::Verdict;

const fn rule(code: &'static str, severity: Severity, explanation: &'static str) -> Rule {
    Rule { code, severity, explanation }
}

/// Every rule of this step.
pub const RULES: &[Rule] = &[
    rule(
        "price-currency",
        Severity::Reject,
        "The currency is no code of ISO 4217 with a minor unit, so nobody can say how much the amount is.",
    ),
    rule(
        "price-country",
        Severity::Reject,
        "The country is no alpha-2 code of ISO 3166-1; prices differ by country more than by seller.",
    ),
    rule(
        "price-card-unknown",
        Severity::Hold,
        "The catalogue has no card of this id or name, so the price belongs to nothing yet.",
    ),
    rule("price-in-future", Severity::Reject, "The price is dated after the day on which it was reported."),
    rule(
        "price-before-launch",
        Severity::Reject,
        "The price is dated before the card was sold, so card or date is wrong.",
    ),
    rule(
        "price-no-peers",
        Severity::Remark,
        "Nobody else has reported a price of this card, currency and condition class near that date, so nothing bears it out yet.",
    ),
    rule(
        "price-few-peers",
        Severity::Remark,
        "Only one or two others have reported such a price, so the comparison rests on what prices usually differ by.",
    ),
    rule(
        "price-same-offer",
        Severity::Remark,
        "Another contributor reported the same amount for the same card in the same country within days: one offer seen twice would count twice.",
    ),
    rule(
        "price-outlier",
        Severity::Hold,
        "The amount lies further from other contributors' prices than honest ones nearly ever do; later reports can bear it out.",
    ),
    rule(
        "price-unit-slip",
        Severity::Hold,
        "The amount is off by what a minor unit is to a unit: units were given for minor units, or the other way round.",
    ),
    rule(
        "price-corroborated",
        Severity::Remark,
        "The amount is far from older reports, but other contributors lately reported the same: the market has moved.",
    ),
];

/// A report with what the catalogue says of it.
#[derive(Debug, Clone, PartialEq)]
pub struct Examined {
    /// Card id; a normalised form of the claim while the catalogue does not know the card.
    pub card: String,
    /// What was found.
    pub findings: Vec<Finding>,
}

/// A stored report beside which another is judged.
#[derive(Debug, Clone, PartialEq)]
pub struct Beside {
    /// The report.
    pub fact: PriceFact,
    /// What became of it.
    pub verdict: Verdict,
    /// Whether nothing but its amount has it held.
    pub by_numbers: bool,
}

/// What the numeric part of a verdict rests on.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct PriceNumbers {
    /// Other contributors with accepted prices.
    pub peers: u32,
    /// Median of their medians, in units of the currency.
    pub median: f64,
    /// The amount over that median.
    pub ratio: f64,
    /// Standard deviation of logarithms that a further honest price is expected to have from the median.
    pub spread: f64,
    /// ln of the ratio over the spread: a modified z-score with a moderated spread.
    pub z: f64,
}

/// What becomes of a report.
#[derive(Debug, Clone, PartialEq)]
pub struct PriceJudgement {
    /// The verdict that the findings add up to.
    pub verdict: Verdict,
    /// All findings, in the order of the checks.
    pub findings: Vec<Finding>,
    /// Whether nothing but the distance of its amount has it held, so that others can bear it out.
    pub by_numbers: bool,
    /// What the numeric part rests on; none without peers.
    pub numbers: Option<PriceNumbers>,
    /// Held reports of others that this one bears out: they count from now on.
    pub releases: Vec<String>,
}

/// The checks that need no other report. `today` is the service's day in UTC.
pub fn examine(
    report: &PriceReport,
    catalogue: &Catalogue,
    today: NaiveDate,
    policy: &PricePolicy,
) -> Examined {
    let mut findings = Vec::new();
    if Currency::of(&report.currency).is_none() {
        let said = format!("`{}` is no currency with a minor unit (ISO 4217).", report.currency);
        findings.push(
            Finding::new("price-currency", Severity::Reject, "/currency", said)
                .advice("Write the alphabetic code of a currency in use, such as EUR, JPY or KWD."),
        );
    }
    if !is_country(&report.country) {
        let said = format!("`{}` is no country code (ISO 3166-1 alpha-2).", report.country);
        findings.push(
            Finding::new("price-country", Severity::Reject, "/country", said)
                .advice("Write the two capital letters of the seller's country, such as PT."),
        );
    }
    let ahead = (report.date - today).num_days();
    if ahead > policy.future_slack_days {
        let said = format!("The price is dated {}, {ahead} days ahead of today.", report.date);
        findings.push(
            Finding::new("price-in-future", Severity::Reject, "/date", said)
                .advice("Give the day of the sale, or on which the offer stood; year first.")
                .evidence("days", ahead),
        );
    }
    let known = catalogue.card(&report.card);
    match known {
        None => findings.push(
            Finding::new(
                "price-card-unknown",
                Severity::Hold,
                "/card",
                format!("The catalogue has no card `{}`.", report.card),
            )
            .advice("Name the card by its id or name in `/v1/cards`; if it is missing there, ask for it to be added."),
        ),
        Some(card) => {
            let early = (card.launch_date - report.date).num_days();
            if early > 0 {
                let slack = early <= policy.launch_slack_days;
                let severity = if slack { Severity::Remark } else { Severity::Reject };
                let said = format!("{} was first sold on {}, {early} days later.", card.name, card.launch_date);
                findings.push(
                    Finding::new("price-before-launch", severity, "/date", said)
                        .advice("Check the date, and whether it was this card.")
                        .evidence("launch_date", card.launch_date.to_string())
                        .evidence("days", early),
                );
            }
        }
    }
    Examined { card: known.map_or_else(|| normalise(&report.card), |card| card.id.clone()), findings }
}

/// Judges a report beside the stored ones of its card and currency that other contributors made.
///
/// Its peers are the accepted ones of the same condition class within the policy's days. With m the median over their
/// contributors of each one's median logarithm, the report is held when |ln(amount) - m| / s exceeds the policy's limit
/// (the modified z-score of Iglewicz and Hoaglin 1993), s^2 = v (1 + c / n): v the squared scaled median absolute
/// deviation moderated towards the policy's spread (Smyth 2004), n contributors, c = pi / 2 for a median of three or
/// more, else 1. Never more than held: a market can move. When enough contributors report the same lately, they bear each
/// other out.
pub fn judge(
    report: &PriceReport,
    examined: Examined,
    contributor: &str,
    stored: &[Beside],
    policy: &PricePolicy,
) -> PriceJudgement {
    let mut findings = examined.findings;
    let others: Vec<&Beside> = stored
        .iter()
        .filter(|s| s.fact.contributor != contributor && s.fact.condition.class() == report.condition.class())
        .collect();
    let (mut numbers, mut releases, mut doubted) = (None, Vec::new(), false);
    // Without a currency the amount says nothing.
    if let Some(currency) = Currency::of(&report.currency) {
        let weighed = weigh(report, currency, &others, policy);
        findings.extend(same_offer(report, &others));
        numbers = weighed.numbers;
        doubted = weighed.finding.as_ref().is_some_and(|f| f.severity == Severity::Hold);
        findings.extend(weighed.finding);
        releases = weighed.releases;
    }
    let held_anyway = findings.iter().filter(|f| f.severity >= Severity::Hold).count() > usize::from(doubted);
    if held_anyway {
        releases.clear();
    }
    PriceJudgement {
        verdict: Verdict::of(&findings),
        // A slip of units is no evidence for another one.
        by_numbers: !held_anyway && findings.iter().any(|f| f.code == "price-outlier"),
        findings,
        numbers,
        releases,
    }
}

fn days_apart(report: &PriceReport, other: &Beside) -> u32 {
    day_of(report.date).abs_diff(other.fact.day)
}

/// One median of logarithms a contributor.
fn by_contributor<'a>(of: impl Iterator<Item = &'a Beside>) -> Vec<f64> {
    let mut all: Vec<(&str, f64)> =
        of.map(|s| (s.fact.contributor.as_str(), (s.fact.amount_minor as f64).ln())).collect();
    all.sort_by(|a, b| a.0.cmp(b.0).then(a.1.total_cmp(&b.1)));
    all.chunk_by(|a, b| a.0 == b.0)
        .filter_map(|own| median(&mut own.iter().map(|(_, ln)| *ln).collect::<Vec<_>>()))
        .collect()
}

fn same_offer(report: &PriceReport, others: &[&Beside]) -> Option<Finding> {
    /// Days within which one offer is seen by several people: it stands for a week or two.
    const SEEN_TWICE_DAYS: u32 = 14;
    let same = others.iter().find(|s| {
        s.fact.amount_minor == report.amount_minor
            && s.fact.country == report.country
            && s.fact.source == report.source
            && days_apart(report, s) <= SEEN_TWICE_DAYS
    })?;
    let said = "Another contributor reported the same amount for this card in this country, days apart.";
    Some(
        Finding::new("price-same-offer", Severity::Remark, "/amount_minor", said)
            .advice("If it is the same offer, report others instead; it counts already.")
            .evidence("price", same.fact.id.as_str()),
    )
}

#[derive(Default)]
struct Weighed {
    numbers: Option<PriceNumbers>,
    finding: Option<Finding>,
    releases: Vec<String>,
}

fn weigh(report: &PriceReport, currency: Currency, others: &[&Beside], policy: &PricePolicy) -> Weighed {
    let finding = |code, severity, said: String| Finding::new(code, severity, "/amount_minor", said);
    let accepted = |s: &&&Beside| s.verdict == Verdict::Accepted && days_apart(report, s) <= policy.peer_days;
    let medians = by_contributor(others.iter().filter(accepted).copied());
    let n = medians.len();
    let Some(centre) = median(&mut medians.clone()) else {
        let said =
            "Nobody else has reported a price of this card, currency and condition class near that date.";
        let advice = "Nothing needs doing; it counts, and is shown as one contributor's.";
        let remark = finding("price-no-peers", Severity::Remark, said.to_owned()).advice(advice);
        return Weighed { finding: Some(remark), ..Weighed::default() };
    };
    let enough = n >= policy.full_peers as usize;
    let own = if enough { robust::mad(&medians).unwrap_or(0.0) } else { 0.0 };
    // With too few for a deviation of their own the policy's spread stands alone.
    let variance =
        if enough { moderated_variance(policy.spread, n, own) } else { policy.spread.sd * policy.spread.sd };
    let of_median = if enough { std::f64::consts::FRAC_PI_2 } else { 1.0 };
    let spread = (variance * (1.0 + of_median / n as f64)).sqrt();
    let ln = (report.amount_minor as f64).ln() - centre;
    let numbers = PriceNumbers {
        peers: n as u32,
        median: centre.exp() / currency.minor_per_unit() as f64,
        ratio: ln.exp(),
        spread,
        z: ln / spread,
    };
    let with_numbers = |f: Finding| {
        f.evidence("peers", numbers.peers)
            .evidence("median", digits(numbers.median))
            .evidence("ratio", digits(numbers.ratio))
            .evidence("z", digits(numbers.z))
    };
    if numbers.z.abs() <= policy.hold_z {
        let few = (!enough).then(|| {
            let said =
                format!("Only {n} other contributor{} to compare with.", if n == 1 { "" } else { "s" });
            with_numbers(finding("price-few-peers", Severity::Remark, said))
                .advice("Nothing needs doing; further reports make the comparison firmer.")
        });
        return Weighed { numbers: Some(numbers), finding: few, releases: Vec::new() };
    }
    let median_said = currency.written(centre.exp().round() as u64);
    let said = format!(
        "{} {currency} is {:.3} times the median of {n} other contributor{}, {median_said} {currency}.",
        currency.written(report.amount_minor),
        numbers.ratio,
        if n == 1 { "" } else { "s" }
    );
    let slip = (currency.minor_per_unit() as f64).ln();
    if slip > 0.0 && (ln.abs() - slip).abs() <= policy.hold_z * spread {
        let way =
            if ln < 0.0 { "units were given for minor units" } else { "minor units were counted twice" };
        let advice = format!(
            "It looks as if {way}: `amount_minor` of 45.00 {currency} is {}.",
            45 * currency.minor_per_unit()
        );
        let slipped = with_numbers(finding("price-unit-slip", Severity::Hold, said)).advice(advice);
        return Weighed { numbers: Some(numbers), finding: Some(slipped), releases: Vec::new() };
    }
    let allies: Vec<&Beside> = others
        .iter()
        .copied()
        .filter(|s| s.verdict == Verdict::Held && s.by_numbers && days_apart(report, s) <= policy.agree_days)
        .filter(|s| (report.amount_minor as f64 / s.fact.amount_minor as f64).ln().abs() <= policy.agree_ln)
        .collect();
    let recent = |s: &&&Beside| s.verdict == Verdict::Accepted && days_apart(report, s) <= policy.agree_days;
    let standing = by_contributor(others.iter().filter(recent).copied()).len();
    let agreeing = by_contributor(allies.iter().copied()).len() + 1;
    if agreeing >= 2 && agreeing as f64 >= policy.agree_share * standing as f64 {
        let advice = "Nothing needs doing; the reports that agree count from now on.";
        let moved = with_numbers(finding("price-corroborated", Severity::Remark, said))
            .advice(advice)
            .evidence("agreeing", agreeing);
        let releases = allies.iter().map(|s| s.fact.id.clone()).collect();
        return Weighed { numbers: Some(numbers), finding: Some(moved), releases };
    }
    let advice = "Check amount, currency and condition. If they are right, nothing needs doing: it is kept, and counts as soon as another contributor reports the like.";
    let outlier = with_numbers(finding("price-outlier", Severity::Hold, said)).advice(advice);
    Weighed { numbers: Some(numbers), finding: Some(outlier), releases: Vec::new() }
}
