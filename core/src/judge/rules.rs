//! The findings of judgement, in words.

use super::numbers::{Place, Standing};
use super::{CopiedSeries, DuplicatePass, Rung};
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
        code: "uncorroborated",
        severity: Severity::Note,
        explanation: "Nobody else has measured this configuration with this driver release yet.",
    },
    Rule {
        code: "unit-against-peers",
        severity: Severity::Reject,
        explanation: "The rate is off from other contributors' by about a factor of a thousand, or is a thousand over theirs: frame times in another unit, or rates given as times.",
    },
    Rule {
        code: "outlier-mean",
        severity: Severity::Reject,
        explanation: "The mean rate differs from other contributors' in the same cell by more than benches differ; held, and rejected only far outside and against several contributors of the same platform class.",
    },
    Rule {
        code: "outlier-low",
        severity: Severity::Hold,
        explanation: "The 1% low lies further from the mean rate than it does for other contributors in the same cell.",
    },
    Rule {
        code: "unusual-mean",
        severity: Severity::Remark,
        explanation: "The mean rate lies at the edge of what benches differ by; about one honest run in twenty does.",
    },
    Rule {
        code: "same-figures",
        severity: Severity::Remark,
        explanation: "Another contributor has the same mean rate and 1% low to a twentieth of a per cent.",
    },
];

/// Likely causes of a rate below the peers', the commonest first (common practice).
const CAUSES_BELOW: &str = "Likely causes, the commonest first: a frame cap or vertical sync left on; memory in one channel; a card that is hot and throttles; another preset or resolution than stated; another program running; a slower processor. Check these, measure three passes again and submit.";

/// Likely causes of a rate above the peers', the commonest first (common practice).
const CAUSES_ABOVE: &str = "Likely causes, the commonest first: another preset, resolution or upscaler than stated; another card or memory size than stated; changed clocks that are not stated; a newer build of the program; a faster processor. Check these and correct the run, or measure three passes again and submit.";

/// What makes a report of a failure worth more.
const AGAIN: &str = "If it happens every time, say so in the notes, with what the program said; try the release before and the one after.";

/// The usual caution about flashing faults.
const FLASHING: &str = "Caution: faulty pictures can flicker or flash, and flashing can trigger seizures in people with photosensitive epilepsy. Look away, stop the program, do not show recordings without a warning, and ask a doctor when in doubt.";

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

/// What the rule says of a run without peers.
pub(super) fn uncorroborated() -> Finding {
    Finding::new(
        "uncorroborated",
        Severity::Note,
        "",
        "Nobody else has measured this configuration with this driver release yet, so the figure stands alone.",
    )
}

/// What follows from where a run stands.
pub(super) fn standing(standing: &Standing, policy: &JudgePolicy) -> Vec<Finding> {
    let mut findings = Vec::new();
    findings.extend(unit(standing, policy).or_else(|| mean(standing, policy)));
    findings.extend(low(standing, policy));
    if let Some(other) = &standing.same_as {
        findings.push(
            Finding::new(
                "same-figures",
                Severity::Remark,
                "/passes",
                "Another contributor has the same mean rate and 1% low to a twentieth of a per cent.",
            )
            .evidence("contributor", other.as_str()),
        );
    }
    findings
}

fn unit(standing: &Standing, policy: &JudgePolicy) -> Option<Finding> {
    let thousand = 1000_f64.ln();
    let deviation = standing.mean.deviation;
    let off = (deviation.abs() - thousand).abs();
    // Rates read as times turn f fps into 1000 / f; only far from where both are alike does that show.
    let turned = deviation + 2.0 * standing.location_fps.ln() - thousand;
    let rates =
        deviation.abs() > policy.turned_least && turned.abs() < policy.turned_scales * standing.mean.scale;
    if rates && off >= policy.unit_tolerance {
        let finding = Finding::new(
            "unit-against-peers",
            Severity::Reject,
            "/passes",
            format!(
                "Other contributors have {:.1} fps; the mean rate is what comes out when such rates are given as frame times.",
                standing.location_fps
            ),
        )
        .advice("Give frame times in milliseconds; when packing, name the column that has them.");
        return Some(with_numbers(finding, standing, &standing.mean));
    }
    (off < policy.unit_tolerance).then(|| {
        with_numbers(
            Finding::new(
                "unit-against-peers",
                Severity::Reject,
                "/passes",
                format!(
                    "The mean rate is {} times that of other contributors ({:.1} fps): frame times in another unit than milliseconds.",
                    if standing.mean.deviation > 0.0 { "about 1000" } else { "about a thousandth" },
                    standing.location_fps
                ),
            )
            .advice("Give frame times in milliseconds; when packing, name the unit of the file."),
            standing,
            &standing.mean,
        )
    })
}

fn mean(standing: &Standing, policy: &JudgePolicy) -> Option<Finding> {
    let z = standing.mean.z.abs();
    let certain = z > policy.reject_z && standing.of_class >= policy.reject_contributors;
    let (code, severity) = if certain {
        ("outlier-mean", Severity::Reject)
    } else if z > policy.hold_z {
        ("outlier-mean", Severity::Hold)
    } else if z > policy.remark_z {
        ("unusual-mean", Severity::Remark)
    } else {
        return None;
    };
    let percent = 100.0 * standing.mean.deviation.exp_m1();
    let finding = Finding::new(
        code,
        severity,
        "/passes",
        format!(
            "The mean rate is {:.1} % {} the median of {} in the same cell ({:.1} fps); honest runs mostly stay within {:.0} %.",
            percent.abs(),
            if percent < 0.0 { "below" } else { "above" },
            people(standing.contributors),
            standing.location_fps,
            100.0 * (policy.remark_z * standing.mean.scale).exp_m1()
        ),
    )
    .advice(if percent < 0.0 { CAUSES_BELOW } else { CAUSES_ABOVE });
    Some(with_numbers(finding, standing, &standing.mean))
}

fn low(standing: &Standing, policy: &JudgePolicy) -> Option<Finding> {
    let low = standing.low.as_ref()?;
    (low.z.abs() > policy.hold_low_z).then(|| {
        let (where_to, causes) = if low.deviation < 0.0 {
            ("further below", "Likely causes: another program running, a loading screen in the capture, too little memory, storage that is too slow.")
        } else {
            ("nearer to", "Likely causes: a quiet stretch instead of the scene, a frame cap, smoothed frame times, a 1% low of another definition.")
        };
        let finding = Finding::new(
            "outlier-low",
            Severity::Hold,
            "/passes",
            format!(
                "The 1% low lies {:.1} % {where_to} the mean rate than for {} in the same cell.",
                100.0 * low.deviation.abs().exp_m1(),
                people(standing.contributors)
            ),
        )
        .advice(format!("{causes} Measure three passes again and submit."));
        with_numbers(finding, standing, low)
    })
}

fn people(n: usize) -> String {
    if n == 1 { "one other contributor".to_owned() } else { format!("{n} other contributors") }
}

fn with_numbers(finding: Finding, standing: &Standing, place: &Place) -> Finding {
    finding
        .evidence("contributors", standing.contributors)
        .evidence("contributors_of_platform_class", standing.of_class)
        .evidence("location_fps", standing.location_fps)
        .evidence("deviation", place.deviation)
        .evidence("scale", place.scale)
        .evidence("z", place.z)
}
