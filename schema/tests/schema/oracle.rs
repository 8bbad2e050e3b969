//! A general JSON Schema validator over complete documents: the reference that the split check of
//! this crate is held to. It shares the published texts with the crate, and nothing else.

use std::collections::BTreeSet;
use std::path::{Path, PathBuf};

use jsonschema::error::ValidationErrorKind as Kind;
use jsonschema::{Registry, Validator};
use serde_json::Value;
use wearmark_schema::documents;

/// All documents, parsed, by `$id`.
pub(crate) fn parsed() -> Vec<(&'static str, Value)> {
    documents().iter().map(|d| (d.id, serde_json::from_str(d.text).unwrap())).collect()
}

/// A validator for any schema that refers to the published documents.
pub(crate) fn compile(schema: &Value) -> Validator {
    let parsed = parsed();
    let registry = Registry::new().extend(parsed.iter().map(|(id, d)| (*id, d))).unwrap().prepare().unwrap();
    jsonschema::draft202012::options()
        .should_validate_formats(true)
        .with_registry(&registry)
        .offline()
        .build(schema)
        .unwrap()
}

/// A validator for the document served at a path such as `run/1`.
pub(crate) fn published(path: &str) -> Validator {
    let document = documents().iter().find(|d| d.path == path).unwrap();
    compile(&serde_json::from_str(document.text).unwrap())
}

/// The places that a complete validation complains of. A field too many is a place of its own; a
/// missing one is complained of at the object that lacks it.
pub(crate) fn places(validator: &Validator, document: &Value) -> BTreeSet<String> {
    let mut places = BTreeSet::new();
    for error in validator.iter_errors(document) {
        let at = error.instance_path().as_str();
        match error.kind() {
            Kind::AdditionalProperties { unexpected } => {
                places.extend(
                    unexpected.iter().map(|f| format!("{at}/{}", f.replace('~', "~0").replace('/', "~1"))),
                );
            }
            _ => {
                places.insert(at.to_owned());
            }
        }
    }
    places
}

/// The folder of fixtures, or a file in it.
pub(crate) fn fixture(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("fixtures").join(name)
}

/// A valid fixture as a tree.
pub(crate) fn valid(name: &str) -> Value {
    serde_json::from_slice(&std::fs::read(fixture("valid").join(name)).unwrap()).unwrap()
}

/// The files of a folder of fixtures that end in `.json`, sorted.
pub(crate) fn files(folder: &str) -> Vec<PathBuf> {
    let mut files: Vec<PathBuf> = std::fs::read_dir(fixture(folder))
        .unwrap()
        .map(|entry| entry.unwrap().path())
        .filter(|path| path.extension().is_some_and(|e| e == "json"))
        .collect();
    files.sort();
    files
}
