//! Targets for random bytes: readers of what comes from outside, and of what the service reads back from its own
//! store. Each must not panic, and what it promises of good input must hold: a target asserts that.

use actix_web::http::header::{ACCEPT, ACCEPT_ENCODING, HeaderValue};
use actix_web::test::TestRequest;
use wearmark_api::auth::scope::Scopes;
use wearmark_api::auth::secret::{self, Kind};
use wearmark_api::edition::Manifest;
use wearmark_api::pack::capture::{self, Format, Unit};
use wearmark_api::pack::{decimal::Decimal, description};
use wearmark_api::published::{cursor, negotiate};
use wearmark_api::query::Parameters;
use wearmark_core::ledger::Packed;
use wearmark_core::model::Model;
use wearmark_core::series::reference::Shape;
use wearmark_core::table::views::Views;
use wearmark_schema::{Rejection, accept, accept_catalogue, accept_price};

/// A name and what it does with bytes.
pub type Target = (&'static str, fn(&[u8]));

/// All targets.
pub const TARGETS: [Target; 10] = [
    ("run", run),
    ("price", price),
    ("catalogue", catalogue),
    ("capture", capture),
    ("description", description),
    ("query", query),
    ("cursor", cursor),
    ("credential", credential),
    ("stored", stored),
    ("edition", edition),
];

/// The target of that name.
pub fn target(name: &str) -> Option<fn(&[u8])> {
    TARGETS.iter().find(|(known, _)| *known == name).map(|(_, target)| *target)
}

/// What refuses a document must say what is wrong, and where.
fn refused(rejection: &Rejection) {
    let findings = match rejection {
        Rejection::Malformed(finding) => std::slice::from_ref(finding),
        Rejection::OffSchema(findings) => findings,
    };
    assert!(!findings.is_empty() && findings.iter().all(|finding| !finding.message.is_empty()));
    assert!(findings.len() <= 101, "{}", findings.len());
}

/// A run document: what is accepted is accepted again as it is written, as the same run.
fn run(bytes: &[u8]) {
    match accept(bytes) {
        Ok(run) => {
            let written = serde_json::to_vec(&run).expect("a run can be written");
            let again = accept(&written).expect("what was accepted is accepted again");
            assert_eq!(run, again);
        }
        Err(rejection) => refused(&rejection),
    }
}

/// A price report; likewise.
fn price(bytes: &[u8]) {
    match accept_price(bytes) {
        Ok(price) => {
            let written = serde_json::to_vec(&price).expect("a price can be written");
            assert_eq!(price, accept_price(&written).expect("what was accepted is accepted again"));
        }
        Err(rejection) => refused(&rejection),
    }
}

/// A catalogue; likewise.
fn catalogue(bytes: &[u8]) {
    match accept_catalogue(bytes) {
        Ok(catalogue) => {
            let written = serde_json::to_vec(&catalogue).expect("a catalogue can be written");
            assert_eq!(catalogue, accept_catalogue(&written).expect("what was accepted is accepted again"));
        }
        Err(rejection) => refused(&rejection),
    }
}

/// A capture file in any of its forms, the first three bytes choose which: frame times are numbers above nothing.
fn capture(bytes: &[u8]) {
    let Some((choice, bytes)) = bytes.split_first_chunk::<3>() else { return };
    let columns = [None, Some("1"), Some("3"), Some("frame_ms"), Some("time")];
    let units = [Unit::Ms, Unit::Us, Unit::S, Unit::TimestampsS, Unit::TimestampsMs];
    let format = Format {
        column: columns[usize::from(choice[0]) % columns.len()].map(str::to_owned),
        unit: units[usize::from(choice[0] >> 4) % units.len()],
        delimiter: [b',', b';', b'\t', b' '][usize::from(choice[1]) % 4],
        decimal_comma: choice[1] & 4 != 0,
        skip_lines: usize::from(choice[2] % 8),
    };
    // What unpacks to a hundred times its size is for the tests of sizes, not of readers.
    if bytes.starts_with(&[0x1f, 0x8b]) || bytes.starts_with(&[0x28, 0xb5, 0x2f, 0xfd]) {
        return;
    }
    if let Ok(times) = capture::read("capture.csv", bytes, &format) {
        assert!(!times.is_empty() && times.iter().all(|time| time.is_finite() && *time > 0.0), "{times:?}");
    }
    let mark = if format.decimal_comma { b',' } else { b'.' };
    if let Ok(number) = Decimal::parse(bytes, mark) {
        assert!(!number.to_f64().is_nan());
    }
}

/// A description of a run as TOML, and one assignment of the command line.
fn description(bytes: &[u8]) {
    let Ok(text) = std::str::from_utf8(bytes) else { return };
    let mut run = description::from_toml("run.toml", text).unwrap_or_default();
    let line = text.lines().last().unwrap_or_default();
    if description::set(&mut run, line).is_ok() {
        assert!(line.contains('='), "{line}");
        serde_json::to_vec(&run).expect("a description can be written");
    }
}

/// A query string: what is canonical of it is read back as the same.
fn query(bytes: &[u8]) {
    const KNOWN: [&str; 6] = ["card", "workload", "hours", "format", "after", "cursor"];
    let read = |text: &str| {
        let mut read = Parameters::read(text, &KNOWN);
        let card = read.list("card");
        let workload = read.ordered("workload");
        let hours = read.number("hours", 0.5_f64, 24.0);
        let format = read.choice("format", &[("json", 1), ("csv", 2)]);
        let after = read.parsed::<chrono::NaiveDate>("after", "must be a date");
        let cursor = read.text("cursor");
        let canonical = read.canonical(&[]);
        (read.finish().is_ok(), canonical, (card, workload, hours, format, after, cursor))
    };
    let Ok(text) = std::str::from_utf8(bytes) else { return };
    let (good, canonical, values) = read(text);
    if good {
        assert_eq!((true, canonical.clone(), values), read(&canonical), "{canonical}");
    }
}

/// A cursor behind the query that it is to belong to: one that is taken is the one that this query and place make.
fn cursor(bytes: &[u8]) {
    let Ok(text) = std::str::from_utf8(bytes) else { return };
    let (query, given) = text.split_once('\n').unwrap_or(("", text));
    if let Ok(position) = cursor::decode(query, given) {
        assert_eq!(cursor::encode(query, &position), given.to_lowercase());
    }
    let made = cursor::encode(query, given);
    assert_eq!(cursor::decode(query, &made).ok().as_deref(), Some(given));
}

/// A token, a list of scopes and what a client wants answered.
fn credential(bytes: &[u8]) {
    let Ok(text) = std::str::from_utf8(bytes) else { return };
    for kind in [Kind::Token, Kind::Invitation, Kind::Session] {
        assert!(!secret::is_spelt(kind, text) || (text.is_ascii() && text.starts_with(kind.prefix())));
    }
    if let Ok(scopes) = text.parse::<Scopes>() {
        assert_eq!(scopes.to_string().parse::<Scopes>().ok(), Some(scopes), "{text}");
    }
    if let Ok(value) = HeaderValue::from_str(text) {
        let accept = TestRequest::default().insert_header((ACCEPT, value.clone())).to_http_request();
        // Each is a form, or says that there is none.
        let _ = negotiate::format(&accept, None);
        let coding = TestRequest::default().insert_header((ACCEPT_ENCODING, value)).to_http_request();
        negotiate::coding(&coding);
    }
}

/// What the service reads back from its own store: bytes that a disk or a hand damaged are refused, and what is taken
/// comes out as it went in. The first byte chooses the reader.
fn stored(bytes: &[u8]) {
    let Some((choice, bytes)) = bytes.split_first() else { return };
    match choice % 4 {
        0 => drop(Model::from_bytes(bytes)),
        1 => drop(Packed::from_bytes(bytes)),
        2 => {
            if let Ok(views) = Views::from_bytes(bytes) {
                let written = views.to_bytes();
                assert_eq!(Views::from_bytes(&written).map(|again| again.to_bytes()), Ok(written));
            }
        }
        _ => {
            if let Some(shape) = Shape::from_bytes(bytes) {
                let written = shape.to_bytes();
                assert_eq!(Shape::from_bytes(&written).map(|again| again.to_bytes()), Some(written));
            }
        }
    }
}

/// The manifest of an edition: no name in it leads out of its folder.
fn edition(bytes: &[u8]) {
    let Ok(manifest) = Manifest::from_bytes(bytes) else { return };
    let folder = std::path::Path::new("edition");
    for file in &manifest.files {
        assert_eq!(folder.join(&file.name).parent(), Some(folder), "{}", file.name);
    }
    let written = serde_json::to_vec(&manifest).expect("a manifest can be written");
    assert_eq!(Manifest::from_bytes(&written).ok(), Some(manifest));
}

#[cfg(test)]
mod tests {
    use std::path::{Path, PathBuf};

    use super::*;

    fn files(folder: PathBuf) -> Vec<PathBuf> {
        let listed = std::fs::read_dir(&folder).unwrap_or_else(|e| panic!("{}: {e}", folder.display()));
        listed.map(|entry| entry.unwrap().path()).collect()
    }

    #[test]
    fn every_target_has_seeds_and_takes_them() {
        let root = Path::new(env!("CARGO_MANIFEST_DIR"));
        for (name, target) in TARGETS {
            let seeds = files(root.join("fuzz/corpus").join(name));
            assert!(seeds.len() > 1, "{name}");
            for seed in seeds {
                target(&std::fs::read(&seed).unwrap());
            }
        }
        assert_eq!(files(root.join("fuzz/corpus")).len(), TARGETS.len());
    }

    /// Some seeds are good input, so that what comes after reading is reached too.
    #[test]
    fn good_seeds_are_taken_for_good() {
        let root = Path::new(env!("CARGO_MANIFEST_DIR")).join("fuzz/corpus");
        let read = |name: &str| std::fs::read(root.join(name)).unwrap();
        assert!(accept(&read("run/whole")).is_ok());
        assert!(accept_price(&read("price/whole")).is_ok());
        assert!(accept_catalogue(&read("catalogue/whole")).is_ok());
        assert!(secret::is_spelt(Kind::Token, &String::from_utf8(read("credential/token")).unwrap()));
        let good = String::from_utf8(read("cursor/good")).unwrap();
        let (query, given) = good.split_once('\n').unwrap();
        assert!(cursor::decode(query, given).is_ok());
        assert!(Model::from_bytes(&read("stored/model")[1..]).is_ok());
        assert!(Packed::from_bytes(&read("stored/packed")[1..]).is_ok());
        assert!(Views::from_bytes(&read("stored/views")[1..]).is_ok_and(|views| !views.is_empty()));
        assert!(Manifest::from_bytes(&read("edition/whole")).is_ok());
        assert!(Shape::from_bytes(&read("stored/shape")[1..]).is_some());
    }
}
