//! The compiled schemas, once a process. References resolve among our own documents only.

use std::sync::LazyLock;

use jsonschema::{PatternOptions, Registry, Validator};
use serde_json::Value;

use crate::documents::documents;

/// The compiled `run/1`.
pub(crate) fn run() -> &'static Validator {
    &SCHEMAS.run
}

/// The compiled `catalogue/1`.
pub(crate) fn catalogue() -> &'static Validator {
    &SCHEMAS.catalogue
}

/// The compiled `price/1`.
pub(crate) fn price() -> &'static Validator {
    &SCHEMAS.price
}

/// The schema object that holds the keyword at an absolute location such as
/// `https://wearmark.example/schemas/bench/1#/$defs/cpu/required`, and the whole document it is in.
pub(crate) fn schema_at(location: &str) -> Option<(&'static Value, &'static Value)> {
    let (id, keyword) = location.split_once('#')?;
    let (schema, _) = keyword.rsplit_once('/')?;
    let at = documents().iter().position(|document| document.id == id)?;
    let document = SCHEMAS.parsed.get(at)?;
    Some((document.pointer(schema)?, document))
}

struct Schemas {
    /// In the order of `documents()`.
    parsed: Vec<Value>,
    run: Validator,
    catalogue: Validator,
    price: Validator,
}

#[expect(clippy::expect_used, reason = "the documents are part of the program, and a test compiles them")]
static SCHEMAS: LazyLock<Schemas> =
    LazyLock::new(|| compile().expect("the embedded schemas are valid JSON Schemas"));

/// Formats are checked, which draft 2020-12 leaves to the implementation (validation, section 7.2.1).
/// The regular expressions run on an engine of linear time, since the texts are anybody's.
fn compile() -> Result<Schemas, String> {
    let parsed: Vec<Value> = documents()
        .iter()
        .map(|document| serde_json::from_str(document.text).map_err(|e| format!("{}: {e}", document.path)))
        .collect::<Result<_, _>>()?;
    let (run, catalogue) = (build(&parsed, "run/1")?, build(&parsed, "catalogue/1")?);
    let price = build(&parsed, "price/1")?;
    Ok(Schemas { parsed, run, catalogue, price })
}

fn build(parsed: &[Value], path: &str) -> Result<Validator, String> {
    let resources = documents().iter().map(|document| document.id).zip(parsed);
    let registry = Registry::new().extend(resources).and_then(|r| r.prepare()).map_err(|e| e.to_string())?;
    let at = documents().iter().position(|document| document.path == path);
    let schema = at.and_then(|at| parsed.get(at)).ok_or_else(|| format!("{path} is not embedded"))?;
    jsonschema::draft202012::options()
        .should_validate_formats(true)
        .with_pattern_options(PatternOptions::regex())
        .with_registry(&registry)
        .offline()
        .build(schema)
        .map_err(|e| format!("{path}: {e}"))
}
