//! The published tables over HTTP: forms, validators, pages.

use std::collections::BTreeSet;

use serde_json::{Value, json};
use wearmark_tests::app::TestApp;
use wearmark_tests::runs::{run, with};

/// Three contributors, two configurations, two driver releases; and the ids of these releases.
fn filled() -> (TestApp, Vec<String>) {
    let app = TestApp::new();
    let mut drivers = BTreeSet::new();
    let mut seed = 0;
    for (width, height) in [(1920, 1080), (1280, 720)] {
        for version in ["5.1", "5.2"] {
            for contributor in 0..3 {
                seed += 1;
                let run = run(60.0 + f64::from(contributor) / 2.0, seed);
                let run = with(with(run, "/settings/width", json!(width)), "/settings/height", json!(height));
                let run = with(run, "/driver/version", json!(version));
                let receipt = app.contributor(contributor as usize).submit(&run).expect(201).json();
                assert_eq!(receipt["verdict"], "accepted", "{receipt}");
                drivers.insert(receipt["identity"]["driver"].as_str().unwrap().to_owned());
            }
        }
    }
    (app, drivers.into_iter().collect())
}

fn rows(answer: &Value) -> &Vec<Value> {
    answer["rows"].as_array().unwrap()
}

#[test]
fn the_same_table_comes_as_json_csv_and_parquet() {
    let (app, _) = filled();
    let json = app.anonymous().get("/v1/medians?group=driver").expect(200);
    assert_eq!(json.header("content-type"), Some("application/json"));
    let table = json.json();
    assert_eq!(table["total"].as_u64().unwrap() as usize, rows(&table).len());
    assert!(!rows(&table).is_empty(), "{table}");
    let csv =
        app.anonymous().send("GET", "/v1/medians?group=driver", &[("accept", "text/csv")], &[]).expect(200);
    assert_eq!(csv.header("content-type"), Some("text/csv; charset=utf-8; header=present"));
    let text = csv.text();
    assert!(text.ends_with("\r\n"));
    assert_eq!(text.matches("\r\n").count(), rows(&table).len() + 1);
    let header: Vec<&str> = text.lines().next().unwrap().split(',').collect();
    let columns: Vec<&String> = rows(&table)[0].as_object().unwrap().keys().collect();
    assert_eq!(header.len(), columns.len());
    assert!(columns.iter().all(|c| header.contains(&c.as_str())), "{header:?}");
    let parquet = app.anonymous().get("/v1/medians?group=driver&format=parquet").expect(200);
    assert_eq!(parquet.header("content-type"), Some("application/vnd.apache.parquet"));
    assert!(parquet.body.starts_with(b"PAR1") && parquet.body.ends_with(b"PAR1"));
    assert_eq!(app.anonymous().get("/v1/medians?group=driver&format=csv").expect(200).body, csv.body);
}

#[test]
fn an_unchanged_table_is_not_sent_again_and_a_changed_one_is() {
    let (app, _) = filled();
    let first = app.anonymous().get("/v1/medians").expect(200);
    let etag = first.header("etag").unwrap();
    assert!(etag.starts_with('"') && etag.ends_with('"'), "a strong validator: {etag}");
    let ask = |etag: &str| app.anonymous().send("GET", "/v1/medians", &[("if-none-match", etag)], &[]);
    for names in [etag.to_owned(), format!("\"other\", {etag}"), format!("W/{etag}"), "*".to_owned()] {
        let answer = ask(&names).expect(304);
        assert!(answer.body.is_empty());
        assert_eq!(answer.header("etag"), Some(etag));
    }
    ask("\"other\"").expect(200);
    // Spelt in another way it is the same question; in another form it is another answer.
    let other = |path: &str| app.anonymous().get(path).expect(200).header("etag").unwrap().to_owned();
    assert_eq!(other("/v1/medians?card=a&card=b"), other("/v1/medians?card=b%2Ca"));
    assert_ne!(other("/v1/medians?format=csv"), etag);
    let zstd = app.anonymous().send("GET", "/v1/medians", &[("accept-encoding", "zstd")], &[]);
    assert_ne!(zstd.header("etag"), Some(etag), "another coding is another representation");
    app.submitter().submit(&run(60.2, 900)).expect(201);
    let changed = ask(etag).expect(200);
    assert_ne!(changed.header("etag"), Some(etag));
    assert!(changed.json()["revision"].as_i64() > first.json()["revision"].as_i64());
}

#[test]
fn pages_show_the_table_as_it_was_at_the_first_page() {
    let (app, _) = filled();
    let whole = app.anonymous().get("/v1/medians?group=driver,platform").expect(200).json();
    assert!(rows(&whole).len() >= 4, "{whole}");
    let mut path = "/v1/medians?group=driver&group=platform&limit=1".to_owned();
    let mut paged = Vec::new();
    let mut seed = 700;
    loop {
        let answer = app.anonymous().get(&path).expect(200);
        let page = answer.json();
        assert_eq!(page["revision"], whole["revision"]);
        paged.extend(rows(&page).iter().cloned());
        let Some(link) = answer.header("link") else {
            assert_eq!(page["next"], Value::Null);
            break;
        };
        assert!(link.ends_with("; rel=\"next\""));
        path = link.trim_start_matches('<').split('>').next().unwrap().to_owned();
        seed += 1;
        app.submitter().submit(&with(run(60.1, seed), "/settings/width", json!(1600))).expect(201);
    }
    assert_eq!(&paged, rows(&whole));
}

#[test]
fn a_cursor_of_a_forgotten_table_is_gone() {
    let limits = wearmark_api::config::Limits { cache_bytes: 0, ..wearmark_api::config::Limits::published() };
    let app = TestApp::with_limits(limits);
    for n in 0..2 {
        let run = with(run(60.0, 800 + n), "/settings/width", json!(1000 + n));
        app.submitter().submit(&run).expect(201);
    }
    let page = app.anonymous().get("/v1/medians?limit=1").expect(200).json();
    let path = format!("/v1/medians?limit=1&cursor={}", page["next"].as_str().unwrap());
    app.anonymous().get(&path).expect(200);
    app.submitter().submit(&with(run(60.0, 810), "/settings/width", json!(1200))).expect(201);
    app.anonymous().get(&path).problem(410, "cursor-expired");
}

#[test]
fn filters_let_through_what_they_name() {
    let (app, drivers) = filled();
    let total = |query: &str| {
        app.anonymous().get(&format!("/v1/medians?{query}")).expect(200).json()["total"].clone()
    };
    let all = total("group=driver");
    assert_eq!(all, 4);
    assert_eq!(total("group=driver&width=1280"), 2);
    assert_eq!(total(&format!("group=driver&driver={}", drivers[0])), 2);
    assert_eq!(total(&format!("group=driver&driver={}&height=720", drivers.join(","))), 2);
    assert_eq!(total("card=otterwick-burrow-4"), 0);
    assert_eq!(total("min_contributors=4"), 0);
    assert_eq!(total("evidence=quick"), 0);
}

#[test]
fn a_track_comes_in_every_form_and_an_unknown_reference_is_named() {
    let (app, drivers) = filled();
    let path = "/v1/cards/otterwick-burrow-2/track";
    let track = app.anonymous().get(path).expect(200).json();
    assert_eq!(track["card"], "otterwick-burrow-2");
    assert_eq!(track["points"].as_array().unwrap().len(), 2, "{track}");
    let csv = app.anonymous().get(&format!("{path}?format=csv")).expect(200);
    assert_eq!(csv.text().matches("\r\n").count(), 3);
    let parquet = app.anonymous().get(&format!("{path}?format=parquet")).expect(200);
    assert!(parquet.body.starts_with(b"PAR1"));
    let other = app.anonymous().get(&format!("{path}?reference={}", drivers[1])).expect(200).json();
    assert_eq!(other["reference"], drivers[1].as_str());
    app.anonymous().get(&format!("{path}?reference=otterwick-5.3")).problem(422, "unprocessable-query");
    assert!(track["holds_up"]["verdict"].is_string() && track["looks"].is_u64(), "{track}");
    let none = app.anonymous().get(&format!("{path}?workload=nothing")).expect(200).json();
    assert!(none["points"].as_array().unwrap().is_empty(), "{none}");
    let chip = app.anonymous().get("/v1/cards/otterwick-burrow-2").expect(200).json()["chip"].clone();
    let of_chip = app.anonymous().get(&format!("/v1/chips/{}/track", chip.as_str().unwrap())).expect(200);
    assert_eq!(of_chip.json()["points"], track["points"]);
    app.anonymous().get("/v1/chips/nothing/track").problem(404, "not-found");
    let changes = app.anonymous().get(&format!("/v1/drivers/{}/changes", drivers[1])).expect(200);
    assert!(changes.json()["changes"].as_array().unwrap().is_empty(), "two benches prove nothing");
    assert!(changes.header("etag").is_some());
    app.anonymous().get("/v1/drivers/nothing/changes").problem(404, "not-found");
}

#[test]
fn what_a_card_plays_comes_in_every_form_and_heeds_its_target() {
    let (app, _) = filled();
    let path = "/v1/cards/otterwick-burrow-2/playable";
    let plays = app.anonymous().get(path).expect(200).json();
    let scenes = plays["scenes"].as_array().unwrap();
    assert!(!scenes.is_empty(), "{plays}");
    let measured: usize = scenes
        .iter()
        .map(|s| s["settings"].as_array().unwrap().iter().filter(|s| s["measured"] == true).count())
        .sum();
    assert!(measured > 0, "{plays}");
    let runs = app.anonymous().get(plays["runs"].as_str().unwrap()).expect(200).json();
    assert!(!runs["rows"].as_array().unwrap().is_empty(), "the runs behind it");
    // Whatever plays at 1000 fps was not measured by us.
    let high = app.anonymous().get(&format!("{path}?target=1000&estimates=no")).expect(200).json();
    for scene in high["scenes"].as_array().unwrap() {
        assert!(scene["highest"].is_null() && scene["highest_estimated"].is_null(), "{scene}");
        assert_eq!(scene["target_fps"], 1000.0);
    }
    let csv = app.anonymous().get(&format!("{path}?format=csv&estimates=no")).expect(200);
    assert_eq!(csv.text().matches("\r\n").count(), 1 + measured);
    assert!(app.anonymous().get(&format!("{path}?format=parquet")).expect(200).body.starts_with(b"PAR1"));
    let etag = app.anonymous().get(path).expect(200).header("etag").unwrap().to_owned();
    app.anonymous().send("GET", path, &[("if-none-match", &etag)], &[]).expect(304);
    app.anonymous().get("/v1/cards/nothing/playable").problem(404, "not-found");
    app.anonymous().get(&format!("{path}?live_match=2")).problem(400, "bad-parameter");
}

#[test]
fn large_tables_are_compressed_in_the_coding_that_is_taken() {
    let (app, _) = filled();
    let ask = |coding: &str| {
        app.anonymous().send("GET", "/v1/medians?group=driver", &[("accept-encoding", coding)], &[])
    };
    let plain = ask("identity").expect(200);
    assert_eq!(plain.header("content-encoding"), None);
    assert_eq!(plain.header("vary"), Some("accept, accept-encoding"));
    let zstd = ask("br, zstd").expect(200);
    assert_eq!(zstd.header("content-encoding"), Some("zstd"));
    assert_eq!(zstd::decode_all(&zstd.body[..]).unwrap(), plain.body);
}

#[test]
fn a_track_against_a_basket_names_its_cards_and_says_when_they_are_too_few() {
    let (app, drivers) = filled();
    for (seed, version) in ["5.1", "5.2"].into_iter().enumerate() {
        let mut run = with(run(90.0, 900 + seed as u64), "/driver/version", json!(version));
        run["card"] = json!({"id": "otterwick-burrow-4", "memory_mib": 4096});
        assert_eq!(app.contributor(0).submit(&run).expect(201).json()["verdict"], "accepted");
    }
    let path = "/v1/cards/otterwick-burrow-2/track";
    let plain = app.anonymous().get(path).expect(200).json();
    assert!(plain.get("basket").is_none(), "{plain}");
    for asked in ["supported", "otterwick-burrow-4"] {
        let answer = app.anonymous().get(&format!("{path}?basket={asked}")).expect(200);
        assert!(answer.header("etag").is_some());
        let (track, basket) = (answer.json(), answer.json()["basket"].clone());
        assert_eq!(
            (&basket["cards"], &basket["without_track"]),
            (&json!(["otterwick-burrow-4"]), &json!([]))
        );
        assert_eq!((&basket["verdict"], &basket["points"]), (&json!("not enough evidence"), &json!([])));
        assert!(basket["because"].as_str().unwrap().contains("3 cards"), "{basket}");
        assert_eq!(track["points"], plain["points"]);
    }
    let csv = app.anonymous().get(&format!("{path}?basket=supported&format=csv")).expect(200);
    assert_eq!(csv.text(), "reference,driver,date,relative,relative_low,relative_high,cards\r\n");
    for wrong in ["nobody-s", "supported,otterwick-burrow-4", "otterwick-burrow-2"] {
        app.anonymous().get(&format!("{path}?basket={wrong}")).problem(422, "unprocessable-query");
    }
    assert!(!drivers.is_empty());
}

/// RFC 6570, section 3.2.9: `{&a,b}` becomes `&a=1&b=2`, and a variable that is not defined is left out.
fn expanded(template: &str, row: &Value) -> String {
    let (head, names) = template.strip_suffix('}').unwrap().split_once("{&").unwrap();
    let mut path = head.to_owned();
    for name in names.split(',') {
        let value = match &row[name] {
            Value::Null => continue,
            Value::String(text) => text.bytes().map(|b| format!("%{b:02X}")).collect(),
            number => number.to_string(),
        };
        path.push_str(&format!("&{name}={value}"));
    }
    path
}

#[test]
fn every_row_leads_to_the_runs_behind_it() {
    let folder = tempfile::tempdir().unwrap();
    let data = folder.path().join("data");
    wearmark_tests::world::stored(&data, 300).storage.close();
    let served = wearmark_tests::served::Served::start(&wearmark_tests::binary::binary(), &data);
    let get = |path: &str| -> Value {
        ureq::get(format!("{}{path}", served.url)).call().unwrap().body_mut().read_json().unwrap()
    };
    let length = |path: &str| get(path)["rows"].as_array().unwrap().len();
    let page = get("/v1/medians?group=driver,build,platform");
    let template = page["runs_template"].as_str().unwrap();
    let rows = page["rows"].as_array().unwrap();
    assert!(rows.len() > 50, "{}", rows.len());
    for row in rows.iter().step_by(7) {
        assert_eq!(length(&expanded(template, row)) as u64, row["runs"].as_u64().unwrap(), "{row}");
    }
    let card = rows[0]["card"].as_str().unwrap();
    let track = get(&format!("/v1/cards/{card}/track"));
    let template = track["runs_template"].as_str().unwrap();
    let points = track["points"].as_array().unwrap();
    assert!(!points.is_empty());
    for point in points {
        assert_eq!(length(&expanded(template, point)) as u64, point["runs"].as_u64().unwrap(), "{point}");
    }
}
