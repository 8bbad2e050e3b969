//! Published cases: one JSON file a topic, each item with its `source`, its expected figures and the
//! tolerance within which they were printed.

use serde_json::Value;

/// One published item.
pub(crate) struct Item(Value);

/// The items of a topic whose `kind` is wanted; at least one, or the test would check nothing.
pub(crate) fn items(topic: &str, kind: &str) -> Vec<Item> {
    let path = format!("{}/reference/cases/{topic}.json", env!("CARGO_MANIFEST_DIR"));
    let document: Value = serde_json::from_slice(&std::fs::read(path).unwrap()).unwrap();
    let items: Vec<Item> = document["items"]
        .as_array()
        .unwrap()
        .iter()
        .filter(|item| item["kind"] == kind)
        .map(|item| {
            assert!(item["source"]["citation"].is_string(), "every case names its source");
            Item(item.clone())
        })
        .collect();
    assert!(!items.is_empty(), "no {kind} in {topic}");
    items
}

/// Numbers of an array, nested ones one after the other.
pub(crate) fn numbers(value: &Value) -> Vec<f64> {
    match value {
        Value::Array(values) => values.iter().flat_map(numbers).collect(),
        value => vec![value.as_f64().unwrap()],
    }
}

impl Item {
    pub(crate) fn id(&self) -> &str {
        self.0["id"].as_str().unwrap()
    }

    pub(crate) fn input(&self, key: &str) -> &Value {
        &self.0["inputs"][key]
    }

    pub(crate) fn expected(&self, key: &str) -> &Value {
        &self.0["expected"][key]
    }

    pub(crate) fn recomputed(&self, key: &str) -> &Value {
        &self.0["recomputed"][key]
    }

    /// The data, or what its generator (a first value, then a pair repeated) makes.
    pub(crate) fn data(&self) -> Vec<f64> {
        let generator = self.input("generator");
        if generator.is_null() {
            return numbers(self.input("data"));
        }
        let pair = numbers(&generator["repeat"]);
        let times = generator["times"].as_u64().unwrap() as usize;
        std::iter::once(generator["first"].as_f64().unwrap())
            .chain(pair.iter().copied().cycle().take(times * pair.len()))
            .collect()
    }

    /// Compares with what was published, and with the full-precision figures where the item has them
    /// (to 1e-9 relative). True when at least one of the two had the key.
    #[track_caller]
    pub(crate) fn meets(&self, key: &str, got: &[f64]) -> bool {
        let mut seen = false;
        if let Some(expected) = self.0["expected"].get(key) {
            let tolerance = &self.0["tolerance"];
            let own = tolerance.get(key).or(tolerance.get("default")).unwrap_or(tolerance);
            let (abs, rel) = match own.as_f64() {
                Some(abs) => (abs, 0.0),
                None => (own["abs"].as_f64().unwrap_or(0.0), own["rel"].as_f64().unwrap_or(0.0)),
            };
            self.near(key, got, &numbers(expected), abs, rel);
            seen = true;
        }
        if let Some(recomputed) = self.0.get("recomputed").and_then(|r| r.get(key)) {
            self.near(key, got, &numbers(recomputed), 1e-9, 1e-9);
            seen = true;
        }
        seen
    }

    #[track_caller]
    fn near(&self, key: &str, got: &[f64], wanted: &[f64], abs: f64, rel: f64) {
        assert_eq!(got.len(), wanted.len(), "{} {key}", self.id());
        for (g, w) in got.iter().zip(wanted) {
            assert!((g - w).abs() <= abs.max(rel * w.abs()), "{} {key}: {g} instead of {w}", self.id());
        }
    }

    /// Indices the publication flags.
    pub(crate) fn flagged(&self, key: &str) -> Option<Vec<usize>> {
        let list = self.0["expected"].get(key).or(self.0.get("recomputed").and_then(|r| r.get(key)))?;
        Some(list.as_array()?.iter().map(|v| v.as_u64().unwrap() as usize).collect())
    }
}
