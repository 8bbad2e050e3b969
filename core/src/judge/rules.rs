//! The findings of judgement, in words.

use super::numbers::{Numbers, Place};
use super::{CopiedSeries, DuplicatePass, Rung, Twin};
use crate::finding::{Finding, Rule, Severity, digits};
use crate::policy::judge::JudgePolicy;
use crate::run::Outcome;

/// All rules of this step.
pub(super) const RULES: &[Rule] = &[
    Rule {
        code: "duplicate-pass",
        severity: Severity::Reject,
        explanation: "Some pass has the frame times of a pass that is stored already; no two captures are equal.",
    },
    Rule {
        code: "copied-series",
        severity: Severity::Hold,
        explanation: "The frame-to-frame noise of some pass is that of a stored pass of another run, as no two captures have it: one is the other, rescaled, disturbed or cut.",
    },
    Rule {
        code: "did-not-start",
        severity: Severity::Note,
        explanation: "The program did not reach the scene; the run counts as a failure of this driver release, not as a rate.",
    },
    Rule {
        code: "crashed",
        severity: Severity::Note,
        explanation: "The program stopped on the way; the run counts as a failure of this driver release, not as a rate.",
    },
    Rule {
        code: "rendering-fault",
        severity: Severity::Note,
        explanation: "The program drew wrongly; the run counts as a failure of this driver release, not as a rate, and carries a caution, since faults can flash.",
    },
    Rule {
        code: "platform-limited",
        severity: Severity::Remark,
        explanation: "On this bench a lower resolution does not raise the rate, so the processor, its memory or the program was measured, not the card.",
    },
    Rule {
        code: "faster-than-lower-resolution",
        severity: Severity::Remark,
        explanation: "On this bench a lower resolution with all else the same is clearly slower, which no card does: one of the runs is not what it says.",
    },
    super::sitting::RULE,
    Rule {
        code: "uncorroborated",
        severity: Severity::Note,
        explanation: "Nobody else has measured this configuration yet; the run is judged by the model alone and marked unconfirmed.",
    },
    Rule {
        code: "unconfirmed",
        severity: Severity::Note,
        explanation: "The model knows too little of the card or the workload to say what the rate should be; the run counts and is marked, and others beside it are judged with the doubt that one first value may be wrong.",
    },
    super::unit::RULE,
    Rule {
        code: "outlier-mean",
        severity: Severity::Reject,
        explanation: "The mean rate differs from what the model and other contributors' runs lead to expect by more than honest runs do; held, and rejected only far outside and against several contributors in the same cell.",
    },
    Rule {
        code: "outlier-low",
        severity: Severity::Hold,
        explanation: "The 1% low lies further from the mean rate, or nearer to it, than honest runs of this workload and card do.",
    },
    Rule {
        code: "unusual-mean",
        severity: Severity::Remark,
        explanation: "The mean rate lies at the edge of what honest runs differ by; about one in twenty does.",
    },
    Rule {
        code: "same-figures",
        severity: Severity::Remark,
        explanation: "Another contributor has the same mean rate and 1% low to a twentieth of a per cent; until that is explained the two count as one.",
    },
    Rule {
        code: "confirmed-later",
        severity: Severity::Note,
        explanation: "The run was held, and later evidence agrees with it: another contributor's run, or the model fitted again.",
    },
    super::warning::RULE,
    super::slowed::RULE,
    Rule {
        code: "doubted-later",
        severity: Severity::Hold,
        explanation: "The run was accepted, and the model, fitted to what came since, no longer agrees with it, nor does anybody else's run.",
    },
];

/// Likely causes of a rate below the peers', the commonest first (common practice).
const CAUSES_BELOW: &str = "Likely causes, the commonest first: a frame cap or vertical sync left on; memory in one channel; a card that is hot and throttles; another preset or resolution than stated; another program running; a slower processor. Check these, measure three passes again and submit.";

/// Likely causes of a rate above the peers', the commonest first (common practice).
const CAUSES_ABOVE: &str = "Likely causes, the commonest first: another preset, resolution or upscaler than stated; another card or memory size than stated; changed clocks that are not stated; a newer build of the program; a faster processor. Check these and correct the run, or measure three passes again and submit.";

/// What makes a report of a failure worth more.
const AGAIN: &str = "If it happens every time, say so in the notes, with what the program said; try the release before and the one after.";

/// What is added while too few runs are accepted to hold any by numbers.
const NOT_YET: &str =
    " The service has too few runs yet to hold one for no more than that, so this one counts.";

/// The usual caution about flashing faults.
pub(crate) const FLASHING: &str = "Caution: faulty pictures can flicker or flash, and flashing can trigger seizures in people with photosensitive epilepsy. Look away, stop the program, do not show recordings without a warning, and ask a doctor when in doubt.";

/// What the rule says of a pass that is stored already.
pub(super) fn duplicate_pass(duplicate: &DuplicatePass) -> Finding {
    Finding::new(
        "duplicate-pass",
        Severity::Reject,
        format!("/passes/{}", duplicate.pass),
        format!("Pass {} has the same frame times as a pass of run {}.", duplicate.pass + 1, duplicate.run),
    )
    .advice("Submit each capture once. If both runs are yours and one is mislabelled, say so in an appeal.")
    .evidence("run", duplicate.run.as_str())
}

/// What the rule says of a pass that looks like a copy of a stored one.
pub(super) fn copied_series(copy: &CopiedSeries) -> Finding {
    let found = copy.resemblance;
    let (whose, advice) = if copy.own {
        (
            "your own run",
            "Send each capture once, as it came. If the earlier run has a wrong label, say so in the notes and ask for it to be withdrawn.",
        )
    } else {
        (
            "another contributor's run",
            "Send only what you captured yourself, unchanged. If the other run is the copy of yours, say so in an appeal and name what proves it, such as the capture file.",
        )
    };
    let cut = match copy.offset {
        0 => String::new(),
        offset => {
            format!(", {} frames {}", offset.abs(), if offset > 0 { "into it" } else { "before it begins" })
        }
    };
    Finding::new(
        "copied-series",
        Severity::Hold,
        format!("/passes/{}", copy.pass),
        format!(
            "Pass {} moves frame by frame, from {} s to {} s, as pass {} of {whose} {} does{cut} (correlation {}; captures of their own stay below {}).",
            copy.pass + 1,
            digits(found.from_s),
            digits(found.to_s),
            copy.of_pass + 1,
            copy.run,
            digits(found.correlation),
            digits(found.limit)
        ),
    )
    .advice(advice)
    .evidence("run", copy.run.as_str())
    .evidence("of_pass", format!("/passes/{}", copy.of_pass))
    .evidence("own", copy.own)
    .evidence("offset_frames", copy.offset)
    .evidence("frames", found.frames)
    .evidence("correlation", digits(found.correlation))
    .evidence("limit", digits(found.limit))
    .evidence("from_s", digits(found.from_s))
    .evidence("to_s", digits(found.to_s))
}

/// What is said of a run that did not end well; none for a completed one.
pub(super) fn failure(outcome: Outcome) -> Option<Finding> {
    let (code, message, advice) = match outcome {
        Outcome::Completed => return None,
        Outcome::DidNotStart => ("did-not-start", "The program did not start.", AGAIN),
        Outcome::Crashed => ("crashed", "The program crashed.", AGAIN),
        Outcome::RenderingFault => ("rendering-fault", "The program drew wrongly.", FLASHING),
    };
    let message = format!("{message} The run counts as a failure of this driver release, not as a rate.");
    let finding = Finding::new(code, Severity::Note, "/outcome", message).advice(advice);
    Some(finding.evidence("outcome", outcome.as_str()))
}

/// What the rule says of a rung that does not rise with fewer pixels.
pub(super) fn platform_limited(here: &Rung, others: &[Rung]) -> Finding {
    let ladder: Vec<serde_json::Value> = others
        .iter()
        .map(|r| serde_json::json!({"width": r.width, "height": r.height, "mean_fps": r.mean_fps}))
        .collect();
    Finding::new(
        "platform-limited",
        Severity::Remark,
        "/settings",
        format!(
            "{:.1} fps at {}x{}, and this bench is hardly faster at a lower resolution: the platform was measured, not the card.",
            here.mean_fps, here.width, here.height
        ),
    )
    .advice("Nothing is wrong with the run. To measure the card, choose a higher resolution or a heavier preset.")
    .evidence("mean_fps", here.mean_fps)
    .evidence("ladder", ladder)
}

/// What is said of a run that nobody else's can be set beside.
pub(super) fn standing_alone(numbers: &Numbers, policy: &JudgePolicy) -> Option<Finding> {
    let variance = numbers.inputs.mean.variance;
    if variance > policy.unconfirmed_variance {
        let message = format!(
            "The model knows the rate to expect only to within a factor of {:.2}, so it cannot tell whether this one is right.",
            (1.96 * variance.sqrt()).exp()
        );
        let finding = Finding::new("unconfirmed", Severity::Note, "", message)
            .advice("Nothing is wrong with the run. It is confirmed as soon as a second contributor measures something like it.")
            .evidence("prediction_sd", digits(variance.sqrt()))
            .evidence("contributors", numbers.inputs.cell.contributors);
        return Some(finding);
    }
    (numbers.inputs.cell.contributors == 0).then(|| {
        Finding::new(
            "uncorroborated",
            Severity::Note,
            "",
            "Nobody else has measured this configuration yet, so the figure is judged by the model alone.",
        )
    })
}

/// What is said of a figure that another contributor has too.
pub(super) fn same_figures(twin: &Twin) -> Finding {
    Finding::new(
        "same-figures",
        Severity::Remark,
        "/passes",
        "Another contributor has the same mean rate and 1% low to a twentieth of a per cent.",
    )
    .evidence("run", twin.run.as_str())
}

/// What follows from where a run stands.
pub(super) fn standing(numbers: &Numbers, policy: &JudgePolicy) -> Vec<Finding> {
    let mut findings = Vec::new();
    findings.extend(super::unit::finding(numbers, policy).or_else(|| mean(numbers, policy)));
    findings.extend(low(numbers, policy));
    findings.extend(standing_alone(numbers, policy));
    findings
}

/// What a later judgement that lets a run go adds to it.
pub(super) fn confirmed(numbers: &Numbers, by: &str) -> Finding {
    let message = format!("The run was held and counts now: {by}.");
    with_numbers(Finding::new("confirmed-later", Severity::Note, "", message), numbers, &numbers.mean)
}

/// What a later judgement that doubts a run adds to it.
pub(super) fn doubted(numbers: &Numbers, residual: f64) -> Finding {
    let percent = 100.0 * residual.exp_m1();
    let message = format!(
        "The model, fitted again with what came since, expects {:.1} fps; the run lies {:.1} % {} that, and no other contributor's run agrees with it.",
        numbers.inputs.mean.value.exp(),
        percent.abs(),
        if percent < 0.0 { "below" } else { "above" },
    );
    let finding = Finding::new("doubted-later", Severity::Hold, "/passes", message)
        .advice(if percent < 0.0 { CAUSES_BELOW } else { CAUSES_ABOVE });
    with_numbers(finding, numbers, &numbers.mean).evidence("residual", digits(residual))
}

fn mean(numbers: &Numbers, policy: &JudgePolicy) -> Option<Finding> {
    let place = &numbers.mean;
    let z = place.z.abs();
    let contributors = numbers.inputs.cell.contributors;
    let shadow = in_shadow(numbers, policy);
    let limit = if shadow { numbers.inputs.limit.max(policy.shadow_z) } else { numbers.inputs.limit };
    let (code, severity) = if !shadow && z > policy.reject_z && contributors >= policy.reject_contributors {
        ("outlier-mean", Severity::Reject)
    } else if z > limit {
        ("outlier-mean", Severity::Hold)
    } else if z > numbers.inputs.limit {
        ("outlier-mean", Severity::Remark)
    } else if z > policy.remark_z {
        ("unusual-mean", Severity::Remark)
    } else {
        return None;
    };
    let percent = 100.0 * place.deviation.exp_m1();
    let finding = Finding::new(
        code,
        severity,
        "/passes",
        format!(
            "The mean rate is {:.1} % {} the {:.1} fps that {} lead to expect; nineteen of twenty honest runs stay within {:.0} %.{}",
            percent.abs(),
            if percent < 0.0 { "below" } else { "above" },
            place.expected.exp(),
            evidence_in_words(contributors),
            100.0 * (1.96 * place.scale).exp_m1(),
            if code == "outlier-mean" && severity == Severity::Remark { NOT_YET } else { "" },
        ),
    )
    .advice(advice(numbers, percent));
    Some(with_numbers(finding, numbers, place))
}

fn low(numbers: &Numbers, policy: &JudgePolicy) -> Option<Finding> {
    let place = numbers.low.as_ref()?;
    if place.z.abs() <= policy.hold_low_z {
        return None;
    }
    let (where_to, causes) = if place.deviation < 0.0 {
        (
            "further below",
            "Likely causes, the commonest first: another program running; a loading screen or menu in the capture; too little card memory for the settings; storage that is too slow. Close other programs, cut the capture to the scene, lower the textures one step and measure three passes again.",
        )
    } else {
        (
            "nearer to",
            "Likely causes, the commonest first: a frame cap; a quiet stretch instead of the scene; frame times that were smoothed or averaged. Switch caps off, walk the whole scene and give the frame times as they were captured.",
        )
    };
    let shadow = in_shadow(numbers, policy);
    let finding = Finding::new(
        "outlier-low",
        if shadow { Severity::Remark } else { Severity::Hold },
        "/passes",
        format!(
            "The 1% low is {:.0} % of the mean rate where {:.0} % is expected of this workload and card: {where_to} the mean than honest runs have it.{}",
            100.0 * (place.expected + place.deviation).exp(),
            100.0 * place.expected.exp(),
            if shadow { NOT_YET } else { "" },
        ),
    )
    .advice(causes);
    Some(with_numbers(finding, numbers, place))
}

/// Whether too few runs are accepted to hold one by a little.
pub(super) fn in_shadow(numbers: &Numbers, policy: &JudgePolicy) -> bool {
    numbers.inputs.accepted < policy.shadow_runs
}

/// What to do, by the direction of the deviation and by whether the platform had the larger part in the rate.
pub(crate) fn advice(numbers: &Numbers, deviation: f64) -> String {
    let causes = if deviation < 0.0 { CAUSES_BELOW } else { CAUSES_ABOVE };
    if numbers.inputs.card_share < 0.5 {
        let share = 100.0 * (1.0 - numbers.inputs.card_share);
        return format!(
            "{causes} The model puts {share:.0} % of this rate down to the platform: a run at a higher resolution would tell whether card or platform deviates."
        );
    }
    causes.to_owned()
}

fn evidence_in_words(contributors: u32) -> String {
    match contributors {
        0 => "the model's card, workload, settings and platform".to_owned(),
        1 => "the model and one other contributor".to_owned(),
        n => format!("the model and {n} other contributors"),
    }
}

pub(super) fn with_numbers(finding: Finding, numbers: &Numbers, place: &Place) -> Finding {
    finding
        .evidence("contributors", numbers.inputs.cell.contributors)
        .evidence("model", numbers.inputs.model)
        .evidence("expected", digits(place.expected.exp()))
        .evidence("deviation", digits(place.deviation))
        .evidence("scale", digits(place.scale))
        .evidence("p", digits(place.p))
        .evidence("z", digits(place.z))
}
