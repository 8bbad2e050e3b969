//! The scores as text.

use wearmark_seed_data::score::{Detection, InflatedBy, Off, Rate, Scores, StoppedBy, WARM_UP};

use crate::cli::columns::{self, Column};
use crate::cli::output::Style;

/// Every table, each with what it counts.
pub(super) fn text(scores: &Scores, style: Style) -> String {
    let mut text = format!("{}\n", style.strong("Wearmark evaluation"));
    text.push_str(&format!(
        "{} submissions, {} of them bad. Tables of arrivals leave out the first {} days, in which a new service \
         knows nothing. Shares are in per cent, with their 95 % limits (Wilson) in brackets, then the counts.\n\n",
        scores.runs,
        scores.bad,
        days(),
    ));
    let sections = [
        ("Bad runs caught at arrival, by kind", kinds(scores)),
        ("Bad runs caught at arrival, by size of the effect on ln(mean fps)", sizes(scores)),
        (
            "Inflated runs caught at arrival, by other contributors in the configuration",
            inflated(&scores.inflated),
        ),
        ("Honest runs made faster, only asked about: would be stopped", inflated(&scores.probes)),
        ("Honest runs at arrival, by other contributors in the configuration", honest(scores)),
        ("What became of honest runs", release(scores)),
        ("Honest runs on driver releases that truly changed their rate by 3 to 15 %", changes(scores)),
        ("Published medians against the truth, by contributors", errors(scores)),
        ("Published 95 % intervals against the truth, by contributors", coverage(scores)),
        ("Rules that stopped runs at arrival", rules(scores)),
    ];
    for (title, body) in sections {
        text.push_str(&format!("{}\n{body}\n", style.strong(title)));
    }
    if !scores.attacks.is_empty() {
        text.push_str(&format!("{}\n{}", style.strong("Medians that liars attacked"), attacks(scores)));
    }
    text
}

fn days() -> u64 {
    // `Days` shows its number only by what it does to a date.
    let start = chrono::NaiveDate::default();
    let end = start.checked_add_days(WARM_UP).unwrap_or(start);
    u64::try_from((end - start).num_days()).unwrap_or(0)
}

fn percent(share: f64) -> String {
    format!("{:.1}", 100.0 * share)
}

/// A share with its limits and counts; empty when there is nothing to count.
fn rate(rate: &Rate) -> String {
    match (rate.share(), rate.limits()) {
        (Some(share), Some((low, high))) => {
            format!("{} ({}-{}) {}/{}", percent(share), percent(low), percent(high), rate.hits, rate.of)
        }
        _ => String::new(),
    }
}

/// The same for rare things: two places.
fn fine(rate: &Rate) -> String {
    match (rate.share(), rate.limits()) {
        (Some(share), Some((low, high))) => {
            format!("{:.2} ({:.2}-{:.2}) {}/{}", 100.0 * share, 100.0 * low, 100.0 * high, rate.hits, rate.of)
        }
        _ => String::new(),
    }
}

fn signed(by: Option<f64>) -> String {
    by.map_or_else(String::new, |by| format!("{:+.2}", 100.0 * by))
}

fn plain(by: Option<f64>) -> String {
    by.map_or_else(String::new, |by| format!("{:.2}", 100.0 * by))
}

fn detection(d: &Detection) -> [String; 4] {
    [rate(&d.caught), d.held.to_string(), d.rejected.to_string(), rate(&d.in_tables)]
}

fn kinds(scores: &Scores) -> String {
    const COLUMNS: [Column; 6] = [
        Column::word("kind"),
        Column::word("detail"),
        Column::number("caught"),
        Column::number("held"),
        Column::number("rejected"),
        Column::number("accepted at the end"),
    ];
    let rows: Vec<Vec<String>> = scores
        .kinds
        .iter()
        .map(|k| {
            let mut row = vec![k.kind.clone(), k.detail.clone().unwrap_or_default()];
            row.extend(detection(&k.detection));
            row
        })
        .collect();
    columns::render(&COLUMNS, &rows, columns::width())
}

fn sizes(scores: &Scores) -> String {
    const COLUMNS: [Column; 4] = [
        Column::word("effect, %"),
        Column::number("all kinds"),
        Column::number("without a trace in the series"),
        Column::number("of these with a peer or more"),
    ];
    let rows: Vec<Vec<String>> = scores
        .sizes
        .iter()
        .map(|s| {
            vec![
                s.size.to_owned(),
                rate(&s.all.caught),
                rate(&s.without_trace.caught),
                rate(&s.without_trace_with_peers.caught),
            ]
        })
        .collect();
    columns::render(&COLUMNS, &rows, columns::width())
}

fn inflated(rows: &[InflatedBy]) -> String {
    const COLUMNS: [Column; 3] =
        [Column::word("others"), Column::number("by 10 %"), Column::number("by 20 %")];
    let rows: Vec<Vec<String>> =
        rows.iter().map(|i| vec![i.peers.name.to_owned(), rate(&i.ten), rate(&i.twenty)]).collect();
    columns::render(&COLUMNS, &rows, columns::width())
}

fn honest(scores: &Scores) -> String {
    const COLUMNS: [Column; 5] = [
        Column::word("others"),
        Column::number("runs"),
        Column::number("held by figures alone"),
        Column::number("held by any rule"),
        Column::number("rejected"),
    ];
    let rows: Vec<Vec<String>> = scores
        .honest
        .iter()
        .map(|h| {
            vec![
                h.peers.name.to_owned(),
                h.share.hits.to_string(),
                fine(&h.held_by_numbers),
                fine(&h.held),
                fine(&h.rejected),
            ]
        })
        .collect();
    columns::render(&COLUMNS, &rows, columns::width())
}

fn release(scores: &Scores) -> String {
    let r = &scores.release;
    let rows = [
        ("held at arrival, released within 30 days without a person", rate(&r.within_30_days)),
        ("held at arrival, still held or rejected at the end", rate(&r.out_at_the_end)),
        ("accepted at arrival, held or rejected at the end", fine(&r.taken_back)),
        ("held or rejected at the end, of all honest runs", fine(&r.lost)),
    ];
    let rows: Vec<Vec<String>> = rows.into_iter().map(|(name, rate)| vec![name.to_owned(), rate]).collect();
    columns::render(&[Column::word("honest runs"), Column::number("share")], &rows, columns::width())
}

fn changes(scores: &Scores) -> String {
    const COLUMNS: [Column; 6] = [
        Column::word("contributor"),
        Column::number("stopped"),
        Column::number("released in 30 days"),
        Column::number("when a second came"),
        Column::number("median days"),
        Column::number("never"),
    ];
    let rows: Vec<Vec<String>> = scores
        .changes
        .iter()
        .map(|c| {
            vec![
                c.contributor.to_owned(),
                fine(&c.held),
                rate(&c.within_30_days),
                rate(&c.on_agreement),
                columns::figure(c.days_to_release, 1),
                rate(&c.out_at_the_end),
            ]
        })
        .collect();
    columns::render(&COLUMNS, &rows, columns::width())
}

fn off(off: &Off) -> [String; 4] {
    [plain(off.rms), plain(off.median), rate(&off.over_5), rate(&off.over_10)]
}

fn errors(scores: &Scores) -> String {
    const COLUMNS: [Column; 6] = [
        Column::word("limited by"),
        Column::word("contributors"),
        Column::number("r.m.s. of 98 in 100, %"),
        Column::number("median, %"),
        Column::number("off by over 5 %"),
        Column::number("over 10 %"),
    ];
    let row = |limit: &str, name: &str, figures: [String; 4]| {
        let mut row = vec![limit.to_owned(), name.to_owned()];
        row.extend(figures);
        row
    };
    let of_card = scores.errors.iter().map(|e| row("card", e.contributors.name, off(&e.card_limited)));
    let adjusted =
        scores.errors.iter().map(|e| row("card, without benches", e.contributors.name, off(&e.adjusted)));
    let of_all = scores.errors.iter().map(|e| row("anything", e.contributors.name, off(&e.all)));
    columns::render(&COLUMNS, &of_card.chain(adjusted).chain(of_all).collect::<Vec<_>>(), columns::width())
}

fn coverage(scores: &Scores) -> String {
    const COLUMNS: [Column; 5] = [
        Column::word("contributors"),
        Column::number("card-limited: covered"),
        Column::number("half width, %"),
        Column::number("all: covered"),
        Column::number("half width, %"),
    ];
    let rows: Vec<Vec<String>> = scores
        .coverage
        .iter()
        .map(|c| {
            vec![
                c.contributors.name.to_owned(),
                rate(&c.card_limited.covered),
                plain(c.card_limited.half_width),
                rate(&c.all.covered),
                plain(c.all.half_width),
            ]
        })
        .collect();
    columns::render(&COLUMNS, &rows, columns::width())
}

fn rules(scores: &Scores) -> String {
    const COLUMNS: [Column; 5] = [
        Column::word("rule"),
        Column::number("bad"),
        Column::number("honest, %"),
        Column::number("alone"),
        Column::number("released in 30 days"),
    ];
    let row = |r: &StoppedBy| {
        let alone = r.honest_alone.to_string();
        vec![r.rule.clone(), r.bad.to_string(), fine(&r.honest), alone, rate(&r.within_30_days)]
    };
    let rows: Vec<Vec<String>> = scores.rules.iter().map(row).collect();
    columns::render(&COLUMNS, &rows, columns::width())
}

fn attacks(scores: &Scores) -> String {
    const COLUMNS: [Column; 9] = [
        Column::word("kind"),
        Column::name("configuration"),
        Column::word("limited by"),
        Column::number("honest"),
        Column::number("liars"),
        Column::number("accepted"),
        Column::number("median moved, %"),
        Column::number("by the lie"),
        Column::number("without benches"),
    ];
    let mut text = String::new();
    for attack in &scores.attacks {
        let rows: Vec<Vec<String>> = attack
            .shifts
            .iter()
            .map(|s| {
                vec![
                    attack.kind.to_owned(),
                    s.configuration.clone(),
                    if s.card_limited { "card" } else { "platform" }.to_owned(),
                    s.honest.to_string(),
                    s.liars.to_string(),
                    s.accepted.to_string(),
                    signed(Some(s.by)),
                    signed(s.lie_by),
                    signed(s.adjusted_by),
                ]
            })
            .collect();
        text.push_str(&columns::render(&COLUMNS, &rows, columns::width()));
        text.push_str(&format!(
            "{}: median {} %, largest {} %; by the lie alone {} and {} %; without benches {} and {} %; {} \
             configurations are published on one side only.\n\n",
            attack.kind,
            signed(attack.median),
            signed(attack.largest),
            signed(attack.lie_median),
            signed(attack.lie_largest),
            signed(attack.adjusted_median),
            signed(attack.adjusted_largest),
            attack.unpaired
        ));
    }
    text
}
