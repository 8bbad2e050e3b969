//! The description of a run or bench: TOML files and single overrides, turned into the JSON of the run
//! document. Field names are those of the published schema.

use serde_json::{Map, Number, Value};

use super::PackError;

/// Reads a TOML file into the JSON it stands for. Dates become RFC 3339 text.
///
/// # Errors
/// Names the file, and the line and column where it stops being TOML.
pub fn from_toml(file: &str, text: &str) -> Result<Map<String, Value>, PackError> {
    let table: toml::Table = text.parse().map_err(|error: toml::de::Error| {
        let at = error.span().map_or(0, |span| span.start).min(text.len());
        let before = text.get(..at).unwrap_or("");
        PackError::Capture {
            file: file.to_owned(),
            line: 1 + before.matches('\n').count(),
            column: 1 + before.rsplit('\n').next().unwrap_or("").chars().count(),
            message: error.message().trim().to_owned(),
        }
    })?;
    object(file, table)
}

fn object(file: &str, table: toml::Table) -> Result<Map<String, Value>, PackError> {
    table.into_iter().map(|(key, value)| Ok((key, json(file, value)?))).collect()
}

fn json(file: &str, value: toml::Value) -> Result<Value, PackError> {
    Ok(match value {
        toml::Value::String(text) => Value::String(text),
        toml::Value::Integer(number) => Value::Number(number.into()),
        toml::Value::Float(number) => {
            Value::Number(Number::from_f64(number).ok_or_else(|| PackError::File {
                file: file.to_owned(),
                message: format!("`{number}` is no number that a run can hold"),
            })?)
        }
        toml::Value::Boolean(truth) => Value::Bool(truth),
        toml::Value::Datetime(moment) => Value::String(moment.to_string()),
        toml::Value::Array(items) => {
            Value::Array(items.into_iter().map(|item| json(file, item)).collect::<Result<_, _>>()?)
        }
        toml::Value::Table(table) => Value::Object(object(file, table)?),
    })
}

/// Sets one field of a run by its path: `settings.width=1920`, `passes.0.length_s=60`.
///
/// The value is read as the published schema wants it there: where that is a text, it is taken as it stands
/// (`driver.version=21.4` stays `"21.4"`), else as a TOML value, else as a text.
///
/// # Errors
/// When there is no `=`, or the path leads through something that is no table or list.
pub fn set(run: &mut Map<String, Value>, assignment: &str) -> Result<(), PackError> {
    let bad = |why: String| PackError::Description(format!("--set {assignment}: {why}"));
    let (path, text) = assignment
        .split_once('=')
        .ok_or_else(|| bad("write PATH=VALUE, for example settings.width=1920".to_owned()))?;
    let steps: Vec<&str> = path.trim().split('.').collect();
    if steps.iter().any(|step| step.is_empty()) {
        return Err(bad("the path has an empty step; write it like settings.width".to_owned()));
    }
    let value = value(&steps, text);
    let Some((last, way)) = steps.split_last() else { return Ok(()) };
    let mut place = run;
    let mut way = way.iter();
    while let Some(step) = way.next() {
        let next = place.entry((*step).to_owned()).or_insert_with(|| Value::Object(Map::new()));
        let next = match next {
            Value::Array(items) => {
                let count = items.len();
                let Some(&number) = way.next() else {
                    return Err(bad(format!(
                        "`{step}` is a list; name a field of one item, like {step}.0.FIELD"
                    )));
                };
                number.parse::<usize>().ok().and_then(|at| items.get_mut(at)).ok_or_else(|| {
                    bad(format!("`{step}` is a list of {count}, counted from 0; `{number}` is not in it"))
                })?
            }
            other => other,
        };
        place = next.as_object_mut().ok_or_else(|| bad(format!("`{step}` has no fields")))?;
    }
    place.insert((*last).to_owned(), value);
    Ok(())
}

/// A value as TOML has it, else the text itself.
/// A value as the published schema wants it at a path of the run document: see [`set`].
pub(crate) fn value(steps: &[&str], text: &str) -> Value {
    if wants_text(steps) { Value::String(text.to_owned()) } else { literal(text) }
}

fn literal(text: &str) -> Value {
    format!("v = {text}")
        .parse::<toml::Table>()
        .ok()
        .filter(|table| table.len() == 1)
        .and_then(|mut table| table.remove("v"))
        .and_then(|value| json("--set", value).ok())
        .unwrap_or_else(|| Value::String(text.to_owned()))
}

/// Whether the published run schema allows nothing but a text at a path.
fn wants_text(steps: &[&str]) -> bool {
    let mut places = vec![schema_of("run/1")];
    for step in steps {
        let listed = step.bytes().all(|b| b.is_ascii_digit());
        places = places
            .iter()
            .flat_map(alternatives)
            .filter_map(|schema| {
                if listed { schema.get("items") } else { schema.get("properties")?.get(step) }.cloned()
            })
            .collect();
    }
    let ends: Vec<Value> = places.iter().flat_map(alternatives).collect();
    let types = || ends.iter().filter_map(|schema| schema.get("type"));
    let words = ends.iter().any(|schema| schema.get("enum").is_some());
    types().next().map_or(words, |_| types().all(|kind| kind == "string"))
}

/// A published schema as JSON with its references made absolute; null when there is none of that path.
fn schema_of(path: &str) -> Value {
    let text = wearmark_schema::documents().iter().find(|d| d.path == path).map_or("null", |d| d.text);
    let mut schema = serde_json::from_str(text).unwrap_or(Value::Null);
    absolute(&mut schema, path);
    schema
}

fn absolute(schema: &mut Value, path: &str) {
    match schema {
        Value::Object(map) => {
            for (key, value) in map {
                match value.as_str() {
                    Some(reference) if key == "$ref" && reference.starts_with('#') => {
                        *value = Value::String(format!("{path}{reference}"));
                    }
                    _ => absolute(value, path),
                }
            }
        }
        Value::Array(items) => items.iter_mut().for_each(|item| absolute(item, path)),
        _ => {}
    }
}

/// A schema with everything that its references and conditions may add.
fn alternatives(schema: &Value) -> Vec<Value> {
    let mut all = vec![schema.clone()];
    if let Some(reference) = schema.get("$ref").and_then(Value::as_str) {
        let (document, pointer) = reference.split_once('#').unwrap_or((reference, ""));
        let path = document.rsplit_once("/schemas/").map_or(document, |(_, path)| path);
        if let Some(target) = schema_of(path).pointer(pointer) {
            all.extend(alternatives(target));
        }
    }
    for branch in ["then", "else"] {
        all.extend(schema.get(branch).map(alternatives).unwrap_or_default());
    }
    for branch in ["allOf", "anyOf", "oneOf"] {
        all.extend(schema.get(branch).and_then(Value::as_array).into_iter().flatten().flat_map(alternatives));
    }
    all
}

#[cfg(test)]
#[path = "description_tests.rs"]
mod tests;
