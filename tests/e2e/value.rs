//! A card's worth over HTTP and on the command line.

use std::collections::BTreeSet;
use std::process::Command;

use serde_json::{Value, json};
use wearmark_tests::app::TestApp;
use wearmark_tests::binary::binary;
use wearmark_tests::runs::{run, with};

const PATH: &str = "/v1/value?card=otterwick-burrow-4&against=otterwick-burrow-2&currency=EUR&as_of=2023-06-30&tariff=0.25&hours=4&years=2";

/// Two contributors who measured two cards at two presets of two workloads, and what three saw them sold at.
fn filled() -> TestApp {
    let app = TestApp::new();
    let mut seed = 0;
    for (title, scene, kind) in
        [("Lantern Vale", "Mill walk", "scripted-path"), ("Kite Derby", "Meadow", "practice-area")]
    {
        for preset in ["Low", "High"] {
            for contributor in 0..2 {
                for (card, memory, fps) in
                    [("otterwick-burrow-2", 2048, 60.0), ("otterwick-burrow-4", 4096, 90.0)]
                {
                    seed += 1;
                    let mut run = run(fps + contributor as f64, seed);
                    run["card"] = json!({"id": card, "memory_mib": memory});
                    run["workload"] = json!({"title": title, "scene": {"name": scene, "kind": kind}});
                    let receipt =
                        app.contributor(contributor).submit(&with(run, "/settings/preset", json!(preset)));
                    assert_eq!(receipt.expect(201).json()["verdict"], "accepted");
                }
            }
        }
    }
    for (card, amounts) in
        [("otterwick-burrow-2", [3800, 4000, 4200]), ("otterwick-burrow-4", [6600, 7000, 7100])]
    {
        for (contributor, amount) in amounts.into_iter().enumerate() {
            let report = json!({
                "schema": "price/1", "card": card, "amount_minor": amount, "currency": "EUR", "date": "2023-06-01",
                "condition": "used", "country": "XA", "source": "completed-sale"
            });
            app.contributor(contributor).post("/v1/prices", report.to_string().as_bytes()).expect(201);
        }
    }
    app
}

fn number(value: &Value) -> f64 {
    value.as_f64().unwrap_or_else(|| panic!("{value}"))
}

#[test]
fn a_card_is_weighed_with_price_rates_power_support_and_a_ceiling() {
    let app = filled();
    let answer = app.anonymous().get(PATH).expect(200).json();
    assert_eq!(number(&answer["card"]["price"]["median"]), 70.0);
    // 120 W x 4 h x 365 d = 175.2 kWh; at 0.25 43.80 a year. 75 W: 109.5 kWh, 27.375.
    let power = &answer["card"]["power"];
    assert!(
        (number(&power["kwh_per_year"]) - 175.2).abs() < 1e-9
            && (number(&power["cost_per_year"]) - 43.8).abs() < 1e-9
    );
    let weighed = &answer["against"][0];
    let ratio = number(&weighed["performance"]["ratio"]);
    assert!((ratio - 1.5).abs() < 0.02, "{weighed}");
    assert!((number(&weighed["per_watt"]["ratio"]) - ratio * 75.0 / 120.0).abs() < 1e-9);
    assert!((number(&weighed["per_money"]["ratio"]) - ratio * 40.0 / 70.0).abs() < 1e-9);
    let ceiling = &weighed["ceiling"];
    assert!((number(&ceiling["before_power"]) - 40.0 * ratio).abs() < 1e-9, "{ceiling}");
    assert!((number(&ceiling["power_difference"]) - 2.0 * (43.8 - 27.375)).abs() < 1e-9, "{ceiling}");
    assert!((number(&ceiling["price"]) - (40.0 * ratio - 32.85)).abs() < 1e-9, "{ceiling}");
    // Two workloads give a ratio but no interval, so nothing is said of the price beside the ceiling.
    assert!(ceiling["from"].is_null() && ceiling["own_price"].is_null(), "{ceiling}");
    let support = &answer["card"]["support"];
    assert_eq!((&support["state"], &support["since"]), (&json!("current"), &Value::Null), "{support}");
    assert!(support["holds_up"]["verdict"].is_string(), "{support}");
    let basket = &answer["basket"];
    assert_eq!((basket["rows"].as_array().unwrap().len(), &basket["configurations"]), (2, &json!(4)));
    let per_money = &basket["fps_per_money"];
    assert!((number(&per_money["value"]) - number(&basket["fps"]["value"]) / 70.0).abs() < 1e-9, "{basket}");
    assert!(number(&per_money["from"]) < number(&per_money["value"]));
    assert!(
        answer["assumed"].as_array().unwrap().iter().any(|s| s.as_str().unwrap().contains("not measured"))
    );
    for links in answer["links"].as_array().unwrap() {
        for name in ["prices_href", "track_href", "compare_href"] {
            if let Some(href) = links[name].as_str() {
                app.anonymous().get(href).expect(200);
            }
        }
    }
}

#[test]
fn thin_evidence_is_refused_with_its_reason_and_the_rest_is_told() {
    let app = filled();
    let yen = app.anonymous().get(&PATH.replace("EUR", "JPY")).expect(200).json();
    let why = yen["against"][0]["ceiling"]["refused"].as_str().unwrap();
    assert!(why.contains("nobody reported a second-hand price of otterwick-burrow-2 in JPY"), "{why}");
    assert!(yen["card"]["price"].is_null() && yen["against"][0]["performance"]["ratio"].is_number());
    let narrow = app.anonymous().get(&format!("{PATH}&workload=kite-derby")).expect(200).json();
    assert!(narrow["against"][0]["ceiling"]["refused"].as_str().unwrap().contains("1 workload"), "{narrow}");
    let earlier = app.anonymous().get(&PATH.replace("2023-06-30", "2023-05-31")).expect(200).json();
    assert!(earlier["card"]["refused"].is_string() && earlier["basket"]["fps_per_money"].is_null());
}

#[test]
fn parameters_are_read_strictly_and_answers_revalidated() {
    let app = filled();
    for (query, status, code) in [
        ("card=otterwick-burrow-4", 400, "bad-parameter"),
        ("currency=EUR", 400, "bad-parameter"),
        ("card=otterwick-burrow-4&currency=XAU", 400, "bad-parameter"),
        ("card=otterwick-burrow-4&currency=EUR&hours=25", 400, "bad-parameter"),
        ("card=otterwick-burrow-4&currency=EUR&tariff=-1", 400, "bad-parameter"),
        ("card=otterwick-burrow-4&currency=EUR&tarif=1", 400, "unknown-parameter"),
        ("card=nothing&currency=EUR", 422, "unprocessable-query"),
        ("card=otterwick-burrow-4&currency=EUR&against=nothing", 422, "unprocessable-query"),
        ("card=otterwick-burrow-4&currency=EUR&against=otterwick-burrow-4", 422, "unprocessable-query"),
    ] {
        app.anonymous().get(&format!("/v1/value?{query}")).problem(status, code);
    }
    let first = app.anonymous().get(PATH).expect(200);
    let etag = first.header("etag").unwrap().to_owned();
    let ask = || app.anonymous().send("GET", PATH, &[("if-none-match", &etag)], &[]);
    ask().expect(304);
    app.submitter().submit(&run(60.3, 900)).expect(201);
    ask().expect(200);
}

#[test]
fn the_fields_of_an_answer_are_described() {
    let app = filled();
    let document = app.anonymous().get("/openapi.json").expect(200).json();
    let names = |of: &Value| -> BTreeSet<String> { of.as_object().unwrap().keys().cloned().collect() };
    let described = |shape: &str| names(&document["components"]["schemas"][shape]["properties"]);
    let answer = app.anonymous().get(PATH).expect(200).json();
    let weighed = &answer["against"][0];
    let mut whole = names(&answer);
    whole.retain(|name| name != "revision" && name != "links");
    assert_eq!(described("ValueShape"), whole);
    assert_eq!(described("WorthShape"), names(&answer["card"]));
    assert_eq!(described("PowerShape"), names(&answer["card"]["power"]));
    assert_eq!(described("SupportShape"), names(&answer["card"]["support"]));
    assert_eq!(described("HeldUpShape"), names(&answer["card"]["support"]["holds_up"]));
    assert_eq!(described("MarketRowShape"), names(&answer["card"]["price"]));
    assert_eq!(described("PriceSpreadShape"), names(&answer["spread"]));
    assert_eq!(described("BasketShape"), names(&answer["basket"]));
    assert_eq!(described("BasketRowShape"), names(&answer["basket"]["rows"][0]));
    assert_eq!(described("RateShape"), names(&answer["basket"]["fps"]));
    assert_eq!(described("WeighedShape"), names(weighed));
    assert_eq!(described("QuotientShape"), names(&weighed["per_money"]));
    assert_eq!(described("PlayedShape"), names(&weighed["played"]));
    assert_eq!(described("CeilingShape"), names(&weighed["ceiling"]));
    assert_eq!(described("CardLinks"), names(&answer["links"][0]));
    let price = app.anonymous().get("/v1/prices?limit=1").expect(200).json()["rows"][0].clone();
    assert_eq!(described("PriceView"), names(&price));
    assert_eq!(described("PriceNumbersShape"), names(&price["numbers"]));
}

#[test]
fn the_command_line_reports_prices_and_prints_a_cards_worth() {
    let app = filled();
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("token.txt");
    std::fs::write(&file, app.newcomer("dora")).unwrap();
    let wearmark = |arguments: &[&str]| {
        let ended = Command::new(binary())
            .args(arguments)
            .env("WEARMARK_SERVER", format!("http://{}", app.address()))
            .output()
            .unwrap();
        let said = String::from_utf8_lossy(&ended.stdout).into_owned();
        (ended.status.code(), said + &String::from_utf8_lossy(&ended.stderr))
    };
    let token = file.to_str().unwrap();
    let report = [
        "price",
        "otterwick-burrow-2",
        "39.50",
        "EUR",
        "--condition",
        "refurbished",
        "--source",
        "shop-offer",
        "--country",
        "XB",
        "--on",
        "2023-06-20",
        "--token-file",
        token,
    ];
    let (code, said) = wearmark(&report);
    assert!(code == Some(0) && said.contains("accepted") && said.contains("p-"), "{said}");
    let (code, said) = wearmark(&report);
    assert!(code == Some(4) && said.contains("duplicate"), "{said}");
    let (code, said) = wearmark(&[
        "price",
        "x",
        "39.505",
        "EUR",
        "--condition",
        "used",
        "--source",
        "shop-offer",
        "--country",
        "XB",
    ]);
    assert!(code == Some(1) && said.contains("3 decimals"), "{said}");
    let (code, said) = wearmark(&["prices", "--as-of", "2023-06-30"]);
    assert!(code == Some(0) && said.contains("otterwick-burrow-4") && said.contains("70.00"), "{said}");
    let arguments = [
        "value",
        "otterwick-burrow-4",
        "--against",
        "otterwick-burrow-2",
        "--currency",
        "EUR",
        "--as-of",
        "2023-06-30",
        "--tariff",
        "0.25",
    ];
    let (code, said) = wearmark(&arguments);
    assert!(code == Some(0) && said.contains("worth up to: ") && said.contains("promise nothing"), "{said}");
    assert!(said.lines().all(|line| line.chars().count() <= 120), "{said}");
    let mut json = arguments.to_vec();
    json.push("--json");
    let (_, said) = wearmark(&json);
    assert!(serde_json::from_str::<Value>(&said).unwrap()["against"][0]["ceiling"]["price"].is_number());
}
