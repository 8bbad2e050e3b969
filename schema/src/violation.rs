//! What the validator says, as findings in plain words.

use jsonschema::error::{TypeKind, ValidationErrorKind as Kind};
use jsonschema::{ValidationError, Validator};
use serde_json::Value;
use wearmark_core::finding::{Finding, Severity};

use crate::validators::schema_at;
use crate::wording::{all_of, any_of, count, cut, describe, nearest, quote, type_words};

/// All that the schema says of a document. A place that breaks several rules at once (an empty text
/// is too short and also not of its form) is reported once, by the plainest of them.
pub(crate) fn findings(validator: &Validator, document: &Value) -> Vec<Finding> {
    // The quick answer first: nearly every document is valid.
    if validator.is_valid(document) {
        return Vec::new();
    }
    let mut all: Vec<Finding> = Vec::new();
    for error in validator.iter_errors(document) {
        for finding in explain(&error) {
            let same_place = |other: &&mut Finding| other.pointer == finding.pointer;
            match (
                plainness(&finding.code),
                all.iter_mut().filter(|f| plainness(&f.code).is_some()).find(same_place),
            ) {
                (Some(plain), Some(other)) => {
                    let format = matches!(error.kind(), Kind::Format { .. }) && other.code == finding.code;
                    if plainness(&other.code) > Some(plain) || format {
                        *other = finding;
                    }
                }
                _ => {
                    if !all.contains(&finding) {
                        all.push(finding);
                    }
                }
            }
        }
    }
    all
}

/// Rank among the codes of which one a place is enough; none for the others.
fn plainness(code: &str) -> Option<usize> {
    ["schema-type", "schema-choice", "schema-length", "schema-format", "schema-range"]
        .iter()
        .position(|c| *c == code)
}

fn explain(error: &ValidationError<'_>) -> Vec<Finding> {
    let pointer = error.instance_path().as_str().to_owned();
    let value = error.instance();
    let name = place_name(&pointer);
    let schema = error.absolute_keyword_location().and_then(|uri| schema_at(uri.as_str()));
    match error.kind() {
        Kind::Type { kind } => vec![wrong_type(pointer, &name, value, kind, schema)],
        Kind::Required { property } => {
            vec![missing(pointer, &name, property.as_str().unwrap_or_default(), schema)]
        }
        Kind::AnyOf { context } => vec![none_of(pointer, &name, context)],
        Kind::AdditionalProperties { unexpected } => {
            unexpected.iter().map(|field| unknown(&pointer, &name, field, schema)).collect()
        }
        Kind::Enum { options } => {
            let words: Vec<&str> =
                options.as_array().into_iter().flatten().filter_map(Value::as_str).collect();
            vec![choice(pointer, &name, value, &words)]
        }
        Kind::Constant { expected_value } => {
            let words: Vec<&str> = expected_value.as_str().into_iter().collect();
            vec![choice(pointer, &name, value, &words)]
        }
        Kind::Minimum { limit } => vec![range(pointer, &name, value, "at least", limit, schema)],
        Kind::Maximum { limit } => vec![range(pointer, &name, value, "at most", limit, schema)],
        Kind::ExclusiveMinimum { limit } => {
            vec![range(pointer, &name, value, "greater than", limit, schema)]
        }
        Kind::ExclusiveMaximum { limit } => vec![range(pointer, &name, value, "less than", limit, schema)],
        Kind::MinLength { limit } | Kind::MinItems { limit } | Kind::MinProperties { limit } => {
            vec![length(pointer, &name, value, "at least", *limit)]
        }
        Kind::MaxLength { limit } | Kind::MaxItems { limit } | Kind::MaxProperties { limit } => {
            vec![length(pointer, &name, value, "at most", *limit)]
        }
        Kind::Format { format } => vec![form(pointer, &name, value, format_words(format))],
        Kind::Pattern { pattern } => vec![form(pointer, &name, value, pattern_words(pattern))],
        Kind::PropertyNames { error } => {
            let field = error.instance().as_str().unwrap_or_default().to_owned();
            let message = format!("the field name {} has more than 64 characters", quote(&field));
            vec![reject("schema-length", pointer, message).evidence("limit", 64).advice("Shorten the name.")]
        }
        _ => {
            let message =
                format!("{name} breaks a rule of the schema: {}", cut(&error.masked().to_string(), 200));
            vec![
                reject("schema-other", pointer, message)
                    .advice("Compare the document with the examples in the published schema."),
            ]
        }
    }
}

fn reject(code: &'static str, pointer: String, message: String) -> Finding {
    Finding::new(code, Severity::Reject, pointer, message)
}

/// The place as it is spoken of: the last name of the pointer, or the item and its list.
fn place_name(pointer: &str) -> String {
    let mut tokens = pointer.rsplit('/');
    let last = tokens.next().unwrap_or_default().replace("~1", "/").replace("~0", "~");
    if pointer.is_empty() {
        "the document".to_owned()
    } else if last.bytes().all(|b| b.is_ascii_digit()) {
        format!("item {last} of `{}`", tokens.next().unwrap_or_default())
    } else {
        format!("`{}`", cut(&last, 64))
    }
}

/// `type`: draft 2020-12, validation, section 6.1.1.
fn wrong_type(
    pointer: String,
    name: &str,
    value: &Value,
    kind: &TypeKind,
    schema: Option<(&'static Value, &'static Value)>,
) -> Finding {
    let wanted = match kind {
        TypeKind::Single(wanted) => type_words(wanted.as_str()).to_owned(),
        TypeKind::Multiple(wanted) => {
            wanted.iter().map(|t| type_words(t.as_str())).collect::<Vec<_>>().join(" or ")
        }
    };
    let advice = match value {
        Value::Null => "Leave the field out when there is nothing to say.".to_owned(),
        Value::String(text) if wanted.contains("number") && text.trim().parse::<f64>().is_ok() => {
            format!("Write the number without quotes: {}.", text.trim())
        }
        Value::String(text) if wanted == "true or false" && matches!(text.as_str(), "true" | "false") => {
            format!("Write it without quotes: {text}.")
        }
        Value::Number(n) if wanted == "a text" => format!("Write it in quotes: \"{n}\"."),
        Value::Number(_) if wanted == "a whole number" => "Round it to a whole number.".to_owned(),
        _ => match schema.and_then(|(field, _)| field.get("examples")).and_then(|e| e.get(0)) {
            // A whole document would drown the advice.
            Some(example) if !pointer.is_empty() => format!("Give {wanted}, for example {example}"),
            _ => format!("Give {wanted}."),
        },
    };
    reject("schema-type", pointer, format!("{name} is {}; it must be {wanted}", describe(value)))
        .advice(advice)
}

/// `required`: draft 2020-12, validation, section 6.5.3. The pointer names the object that lacks the field.
fn missing(
    pointer: String,
    name: &str,
    field: &str,
    schema: Option<(&'static Value, &'static Value)>,
) -> Finding {
    let known = schema.and_then(|(object, document)| {
        object
            .get("properties")
            .and_then(|p| p.get(field))
            .filter(|p| p.get("description").is_some())
            .or_else(|| document.get("properties").and_then(|p| p.get(field)))
    });
    let mut advice = format!("Add `{field}`.");
    if let Some(description) = known.and_then(|k| k.get("description")).and_then(Value::as_str) {
        advice = format!("Add `{field}`: {description}");
    }
    if let Some(example) = known.and_then(|k| k.get("examples")).and_then(|e| e.get(0)) {
        advice = format!("{advice} For example: {example}");
    }
    let message = if name == "the document" {
        format!("the document has no field `{field}`")
    } else {
        format!("{name} has no field `{field}`")
    };
    reject("schema-missing", pointer, message).evidence("field", field).advice(advice)
}

/// `anyOf` (draft 2020-12, core, section 10.2.1.2), used only for "one of these fields is needed".
fn none_of(pointer: String, name: &str, context: &[Vec<ValidationError<'static>>]) -> Finding {
    let fields: Vec<&str> = context
        .iter()
        .flatten()
        .filter_map(|error| match error.kind() {
            Kind::Required { property } => property.as_str(),
            _ => None,
        })
        .collect();
    reject("schema-missing", pointer, format!("{name} needs at least one of {}", all_of(&fields)))
        .evidence("fields", fields.clone())
        .advice(format!("Add {}.", any_of(&fields)))
}

/// `additionalProperties`: draft 2020-12, core, section 10.3.2.3.
fn unknown(
    pointer: &str,
    name: &str,
    field: &str,
    schema: Option<(&'static Value, &'static Value)>,
) -> Finding {
    let place = format!("{pointer}/{}", field.replace('~', "~0").replace('/', "~1"));
    let known: Vec<&str> = schema
        .and_then(|(object, _)| object.get("properties"))
        .and_then(Value::as_object)
        .into_iter()
        .flat_map(|properties| properties.keys().map(String::as_str))
        .collect();
    let advice = if field.starts_with("x-") {
        "Extension fields stand at the top of the document or in the bench.".to_owned()
    } else if let Some(near) = nearest(field, known.iter().copied()) {
        format!("Did you mean `{near}`?")
    } else if let [only] = known.as_slice() {
        format!("Give `{only}` alone, or leave it out and give all the rest.")
    } else {
        format!(
            "Known fields here: {}. Your own go under a name that starts with `x-`, at the top.",
            all_of(&known)
        )
    };
    reject("schema-unknown-field", place, format!("{name} has no field called {}", quote(field)))
        .evidence("known", known)
        .advice(advice)
}

/// `enum` and `const`: draft 2020-12, validation, sections 6.1.2 and 6.1.3.
fn choice(pointer: String, name: &str, value: &Value, words: &[&str]) -> Finding {
    let near = value.as_str().and_then(|v| nearest(v, words.iter().copied()));
    let advice = match (near, words) {
        (Some(near), [_, _, ..]) => format!("Did you mean `{near}`?"),
        _ => format!("Write {}.", any_of(words)),
    };
    let message = format!("{name} is {}; it must be {}", describe(value), any_of(words));
    reject("schema-choice", pointer, message).evidence("choices", words.to_vec()).advice(advice)
}

/// `minimum`, `maximum` and their exclusive forms: draft 2020-12, validation, sections 6.2.2 to 6.2.5.
fn range(
    pointer: String,
    name: &str,
    value: &Value,
    relation: &str,
    limit: &Value,
    schema: Option<(&'static Value, &'static Value)>,
) -> Finding {
    let bound = |keyword: &str| schema.and_then(|(object, _)| object.get(keyword));
    let low = bound("minimum")
        .map(|v| format!("from {v}"))
        .or(bound("exclusiveMinimum").map(|v| format!("above {v}")));
    let high = bound("maximum").map(|v| format!("up to {v}"));
    let allowed = [low, high].into_iter().flatten().collect::<Vec<_>>().join(" ");
    let meaning = bound("description").and_then(Value::as_str).unwrap_or("Check the unit.");
    reject("schema-range", pointer, format!("{name} is {}; it must be {relation} {limit}", plain(value)))
        .evidence("value", value.clone())
        .evidence("limit", limit.clone())
        .advice(format!("Possible values: {allowed}. {meaning}"))
}

fn plain(value: &Value) -> String {
    cut(&value.to_string(), 40)
}

/// Lengths: draft 2020-12, validation, sections 6.3.1, 6.3.2, 6.4.1, 6.4.2, 6.5.1 and 6.5.2.
fn length(pointer: String, name: &str, value: &Value, relation: &str, limit: u64) -> Finding {
    let limit_count = usize::try_from(limit).unwrap_or(usize::MAX);
    let (found, noun) = match value {
        Value::String(text) => (text.chars().count(), "character"),
        Value::Array(list) => (list.len(), "item"),
        Value::Object(object) => (object.len(), "field"),
        _ => (0, "item"),
    };
    let advice = match (noun, relation) {
        ("item", "at least") if name == "`passes`" => {
            "Add the captures, or say in `outcome` that the run did not complete.".to_owned()
        }
        ("character", "at least") => "Fill it in, or leave the field out if it may be.".to_owned(),
        ("character", _) => "Shorten it; longer remarks go into `notes`.".to_owned(),
        ("field", "at most") => "Gather extension fields in one object.".to_owned(),
        (_, "at least") => "Fill it in.".to_owned(),
        _ => "Split it.".to_owned(),
    };
    let message =
        format!("{name} has {}; it must have {relation} {}", count(found, noun), count(limit_count, noun));
    reject("schema-length", pointer, message).evidence("found", found).evidence("limit", limit).advice(advice)
}

fn form(pointer: String, name: &str, value: &Value, (rule, advice): (&str, &str)) -> Finding {
    reject("schema-format", pointer, format!("{name} is {}; it must be {rule}", describe(value)))
        .advice(advice)
}

/// `format`: draft 2020-12, validation, section 7.3.1, which takes the forms from RFC 3339, section 5.6.
fn format_words(format: &str) -> (&'static str, &'static str) {
    match format {
        "date-time" => (
            "a date and time with its offset (RFC 3339)",
            "Write it like 2031-04-17T14:05:00Z, or with an offset from UTC such as +02:00 in place of Z.",
        ),
        "date" => ("a day as year-month-day (RFC 3339)", "Write it like 2031-02-11."),
        _ => ("of the form that the schema names", "Compare it with the examples in the published schema."),
    }
}

/// `pattern`: draft 2020-12, validation, section 6.3.3. A test finds every pattern of the documents here.
fn pattern_words(pattern: &str) -> (&'static str, &'static str) {
    match pattern {
        LABEL => (
            "a text on one line that is not blank",
            "Take out line breaks, tabs and other control characters; leave the field out if there is nothing to say.",
        ),
        NOTES => ("a text without control characters", "Only line breaks and tabs are allowed in it."),
        YEAR => ("dated from 1980 to 2199", "Check the year; it comes first and has four digits."),
        PCI_ID => ("0x and four hexadecimal digits", "Write it like 0xfe01."),
        PCI_SUBSYSTEM_ID => {
            ("0x and eight hexadecimal digits", "Write it like 0x0a10fe07: device, then vendor.")
        }
        ID => (
            "a catalogue id",
            "Ids are lower-case letters, digits, dots, hyphens, underscores and plus signs, and start with a letter or digit.",
        ),
        CURRENCY => ("a currency code (ISO 4217)", "Write three capital letters, such as EUR, JPY or KWD."),
        COUNTRY => ("a country code (ISO 3166-1 alpha-2)", "Write two capital letters, such as PT."),
        _ => ("of the form that the schema names", "Compare it with the examples in the published schema."),
    }
}

const LABEL: &str = r"^[^\u0000-\u001f\u007f]*[^\s\u0000-\u001f\u007f][^\u0000-\u001f\u007f]*$";
const NOTES: &str = r"^[^\u0000-\u0008\u000b\u000c\u000e-\u001f\u007f]*$";
const YEAR: &str = "^(19[89][0-9]|2[01][0-9]{2})-";
const PCI_ID: &str = "^0x[0-9A-Fa-f]{4}$";
const PCI_SUBSYSTEM_ID: &str = "^0x[0-9A-Fa-f]{8}$";
const CURRENCY: &str = "^[A-Z]{3}$";
const COUNTRY: &str = "^[A-Z]{2}$";
const ID: &str = "^[a-z0-9][a-z0-9._+-]*$";
