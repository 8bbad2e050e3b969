//! The desk in text.

use chrono::DateTime;
use serde_json::Value;

use crate::cli::columns::{self, Column, figure};
use crate::cli::output::clean;
use crate::cli::pages::text;
use crate::cli::report::wrapped;

/// A moment to the minute.
pub(super) fn moment(value: &Value) -> String {
    let text = value.as_str().unwrap_or("");
    DateTime::parse_from_rfc3339(text)
        .map_or_else(|_| String::new(), |at| at.format("%Y-%m-%d %H:%M").to_string())
}

pub(super) fn rows(answer: &Value) -> &[Value] {
    answer["rows"].as_array().map_or(&[], Vec::as_slice)
}

/// The items of a list.
pub(super) fn array(list: &Value) -> impl Iterator<Item = &Value> {
    list.as_array().into_iter().flatten()
}

pub(super) fn number(value: &Value, places: usize) -> String {
    figure(value.as_f64(), places)
}

fn percent(impact: &Value) -> String {
    match impact["percent"].as_f64() {
        Some(percent) => format!("{percent:+.1}"),
        None if impact.is_null() => String::new(),
        None => "first".to_owned(),
    }
}

/// The queue.
pub(super) fn queue(answer: &Value) -> String {
    let listed = rows(answer);
    let total = answer["total"].as_u64().unwrap_or(0);
    if listed.is_empty() {
        return "Nothing waits.\n".to_owned();
    }
    let mut text = cases(listed);
    text.push_str(&format!("\n{} of {total} cases, those that matter most first. ", listed.len()));
    text.push_str("median: by how much the run would move it, per cent.\n");
    text
}

fn cases(listed: &[Value]) -> String {
    const COLUMNS: [Column; 8] = [
        Column::number("points"),
        Column::word("run"),
        Column::name("contributor"),
        Column::name("card"),
        Column::name("workload"),
        Column::number("fps"),
        Column::number("median"),
        Column::name("stopped by"),
    ];
    let lines: Vec<Vec<String>> = listed
        .iter()
        .map(|row| {
            let rules: Vec<&str> =
                row["rules"].as_array().into_iter().flatten().filter_map(Value::as_str).collect();
            let mut stopped = rules.join(" ");
            if row["appealed"] == true {
                stopped = format!("appeal; {stopped}");
            }
            if let Some(moderator) = row["claim"]["moderator"].as_str() {
                stopped = format!("[{moderator}] {stopped}");
            }
            vec![
                number(&row["priority"]["points"], 1),
                text(row, "run"),
                text(row, "contributor"),
                text(row, "card"),
                text(row, "workload"),
                number(&row["mean_fps"], 1),
                percent(&row["impact"]),
                clean(&stopped),
            ]
        })
        .collect();
    columns::render(&COLUMNS, &lines, columns::width())
}

/// What a bulk decision would be of.
pub(super) fn preview(answer: &Value) -> String {
    let listed = rows(answer);
    if listed.is_empty() {
        return "No case passes the filter.\n".to_owned();
    }
    let stamp = clean(answer["stamp"].as_str().unwrap_or(""));
    format!(
        "{}\nNothing is decided yet. To decide just these {} cases, give the command again with --stamp {stamp}\n",
        cases(listed),
        listed.len()
    )
}

/// What became of the cases of a bulk decision.
pub(super) fn outcomes(answer: &Value) -> String {
    let listed = rows(answer);
    let refused: Vec<&Value> = listed.iter().filter(|row| row["decision"].is_null()).collect();
    let mut text = format!("{} decided, {} passed over\n", listed.len() - refused.len(), refused.len());
    for row in refused {
        let why = format!("{}: {}", row["run"].as_str().unwrap_or(""), row["refused"].as_str().unwrap_or(""));
        text.push_str(&wrapped(&why, 2));
    }
    text
}

/// One decision.
pub(super) fn decision(decision: &Value) -> String {
    let id = decision["decision"].as_i64().unwrap_or(0);
    let mut line = format!(
        "Decision {id}: run {} was {} and is {} now.\n",
        text(decision, "run"),
        text(decision, "was"),
        text(decision, "verdict")
    );
    line.push_str(close(decision));
    line.push_str(&format!("To take it back: wearmark moderate revert {id} --reason ...\n"));
    line
}

/// What is said of a decision about somebody near.
pub(super) fn close(decision: &Value) -> &'static str {
    if decision["close"] == true {
        "You and the contributor have a bench or a network in common; another moderator will see that.\n"
    } else {
        ""
    }
}

/// Decisions of runs, or of price reports, as a table.
pub(super) fn decisions(answer: &Value) -> String {
    const COLUMNS: [Column; 9] = [
        Column::number("decision"),
        Column::word("at"),
        Column::word("run"),
        Column::word("price"),
        Column::word("kind"),
        Column::word("was"),
        Column::word("verdict"),
        Column::word("close"),
        Column::name("reason"),
    ];
    let lines: Vec<Vec<String>> = rows(answer)
        .iter()
        .map(|row| {
            let mut kind = text(row, "kind");
            if let Some(of) = row["reverts"].as_i64() {
                kind = format!("{kind} {of}");
            }
            if let Some(by) = row["reverted_by"].as_i64() {
                kind = format!("{kind}, back by {by}");
            }
            vec![
                row["decision"].to_string(),
                moment(&row["at"]),
                text(row, "run"),
                text(row, "price"),
                kind,
                text(row, "was"),
                text(row, "verdict"),
                if row["close"] == true { "close".to_owned() } else { String::new() },
                text(row, "reason"),
            ]
        })
        .collect();
    if lines.is_empty() {
        return "Nothing was decided yet.\n".to_owned();
    }
    columns::render(&COLUMNS, &lines, columns::width())
}

/// A measure.
pub(super) fn measure(measure: &Value) -> String {
    let until = match (moment(&measure["lifted_at"]), moment(&measure["until"])) {
        (lifted, _) if !lifted.is_empty() => format!("lifted {lifted}"),
        (_, until) if until.is_empty() => "until it is lifted".to_owned(),
        (_, until) => format!("until {until}"),
    };
    let head = format!(
        "measure {}: {}, from {}, {until}: {}",
        measure["measure"],
        text(measure, "kind"),
        moment(&measure["at"]),
        text(measure, "words")
    );
    wrapped(&head, 0)
}

/// A contributor's record.
pub(super) fn record(record: &Value) -> String {
    let count = |name: &str| record[name].as_i64().unwrap_or(0);
    let mut out = format!(
        "{}: {} runs accepted ({} by a moderator), {} held, {} rejected ({} by a moderator); {} benches; first run {}\n",
        text(record, "contributor"),
        count("accepted"),
        count("accepted_by_moderator"),
        count("held"),
        count("rejected"),
        count("rejected_by_moderator"),
        count("benches"),
        moment(&record["first_run_at"])
    );
    if let (Some(effect), Some(h)) = (record["bench_effect"].as_f64(), record["h"].as_f64()) {
        out.push_str(&format!(
            "benches {:+.1} % from what the model expects of them; Mandel's h {h:+.1}\n",
            100.0 * effect.exp_m1()
        ));
    }
    if let (Some(k), Some(critical)) = (record["k"].as_f64(), record["k_critical"].as_f64()) {
        let word = if k > critical { "more widely than is likely" } else { "as others do" };
        out.push_str(&format!(
            "repeated runs differ {word}; Mandel's k {k:.2}, one in a hundred exceeds {critical:.2}\n"
        ));
    }
    for one in record["measures"].as_array().into_iter().flatten() {
        out.push_str(&measure(one));
    }
    out
}

/// A case.
pub(super) fn case(case: &Value) -> String {
    let run = &case["run"];
    let identity = &run["identity"];
    let mut out = format!("{} is {}", text(run, "run"), text(run, "verdict"));
    if let Some(moderator) = case["claim"]["moderator"].as_str() {
        out.push_str(&format!(
            "; {} is at work on it until {}",
            clean(moderator),
            moment(&case["claim"]["until"])
        ));
    }
    out.push('\n');
    let what = format!(
        "{}, {} {}, {} at {}x{}, {}; {} fps, 1% low {} (percentile); received {}",
        text(identity, "card"),
        text(identity, "workload"),
        text(identity, "scene"),
        text(identity, "preset"),
        identity["width"],
        identity["height"],
        text(identity, "driver"),
        number(&run["statistics"]["mean_fps"], 1),
        number(&run["statistics"]["low_percentile_fps"], 1),
        moment(&run["received_at"])
    );
    out.push_str(&wrapped(&what, 2));
    out.push_str(&impact(&case["impact"]));
    out.push_str(&findings(run));
    if let Some(words) = case["appeal"]["words"].as_str() {
        out.push_str(&format!("\nappeal of {}\n", moment(&case["appeal"]["at"])));
        out.push_str(&wrapped(words, 2));
    }
    out.push_str("\ncontributor\n");
    out.push_str(&indented(&record(&case["record"])));
    list(&mut out, "accounts with the same bench", &case["same_bench"], |name| name.as_str().map(clean));
    list(&mut out, "runs that the findings name", &case["similar"], |other| {
        Some(format!("{} ({})", text(other, "run"), text(other, "rule")))
    });
    for proposed in case["corrections"].as_array().into_iter().flatten() {
        out.push('\n');
        out.push_str(&correction(proposed));
    }
    let peers = case["peers"].as_array().map_or(0, Vec::len);
    out.push_str(&format!("\n{peers} accepted runs of the same configuration and driver release\n"));
    let decided = case["decisions"].as_array().map_or(&[][..], Vec::as_slice);
    if !decided.is_empty() {
        out.push_str("\ndecisions\n");
        let table = decisions(&serde_json::json!({"rows": decided}));
        out.push_str(&indented(&table));
    }
    out.push_str(&format!("\nplot {}\n", text(case, "plot")));
    out
}

/// A correction, as moderators and contributors see it.
pub(in crate::cli) fn correction(correction: &Value) -> String {
    let head = format!(
        "correction {} of {}, {}: {}",
        correction["id"],
        text(correction, "run"),
        text(correction, "answer"),
        text(correction, "reason")
    );
    let mut out = wrapped(&head, 2);
    for (pointer, value) in correction["changes"].as_object().into_iter().flatten() {
        out.push_str(&format!("  {} = {}\n", clean(pointer), clean(&value.to_string())));
    }
    if let Some(became) = correction["became"].as_str() {
        out.push_str(&format!("  the corrected run is {}\n", clean(became)));
    }
    out
}

/// Everything found.
pub(super) fn findings(of: &Value) -> String {
    let mut out = "\nfindings\n".to_owned();
    for finding in of["findings"].as_array().into_iter().flatten() {
        let head =
            format!("{} {}: {}", text(finding, "severity"), text(finding, "code"), text(finding, "message"));
        out.push_str(&wrapped(&head, 2));
    }
    out
}

fn impact(impact: &Value) -> String {
    if impact.is_null() {
        return String::new();
    }
    let with = number(&impact["median_with_fps"], 2);
    let line = match impact["median_without_fps"].as_f64() {
        None => format!("Nothing is published there yet; with the run {with} fps of one contributor."),
        Some(without) => format!(
            "The table says {without:.2} fps of {} contributor(s) without the run and {with} of {} with it ({} %).",
            impact["contributors_without"],
            impact["contributors_with"],
            percent(impact)
        ),
    };
    wrapped(&line, 2)
}

pub(super) fn indented(text: &str) -> String {
    text.lines().map(|line| format!("  {line}\n")).collect()
}

fn list(out: &mut String, title: &str, values: &Value, word: impl Fn(&Value) -> Option<String>) {
    let all: Vec<String> = values.as_array().into_iter().flatten().filter_map(word).collect();
    if !all.is_empty() {
        out.push_str(&format!("\n{title}\n"));
        out.push_str(&wrapped(&all.join(", "), 2));
    }
}
