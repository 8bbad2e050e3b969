//! Price reports at the moderator's desk, over HTTP and from the command line.

use chrono::{Duration, Utc};
use serde_json::{Value, json};
use wearmark_api::storage::accounts::Role;
use wearmark_tests::app::TestApp;
use wearmark_tests::caller::{Answer, Caller};
use wearmark_tests::runs::{catalogue, run, with};

use crate::pack::Desk;

const DESK: &str = "/v1/moderation/prices";

/// A sound report, dated yesterday.
fn price(amount_minor: u64) -> Value {
    json!({
        "schema": "price/1",
        "card": "otterwick-burrow-2",
        "amount_minor": amount_minor,
        "currency": "EUR",
        "date": (Utc::now().date_naive() - Duration::days(1)).to_string(),
        "condition": "used",
        "country": "XA",
        "source": "completed-sale"
    })
}

fn report(caller: &Caller, report: &Value) -> Value {
    caller.post("/v1/prices", report.to_string().as_bytes()).expect(201).json()
}

fn id(receipt: &Value) -> String {
    receipt["price"].as_str().unwrap().to_owned()
}

/// Prices of three contributors, and one that waits since it is four times as high.
fn held(app: &TestApp) -> String {
    for (contributor, amount) in [(0, 3900), (1, 4000), (2, 4200)] {
        assert_eq!(report(&app.contributor(contributor), &price(amount))["verdict"], "accepted");
    }
    let dora = app.anonymous().with_token(&app.newcomer("dora"));
    let receipt = report(&dora, &price(16_000));
    assert_eq!(receipt["verdict"], "held", "{receipt}");
    id(&receipt)
}

fn case(caller: &Caller, price: &str) -> Value {
    caller.get(&format!("{DESK}/{price}")).expect(200).json()
}

fn order(caller: &Caller, price: &str, body: &Value) -> Answer {
    caller.post(&format!("{DESK}/{price}/decisions"), body.to_string().as_bytes())
}

fn decide(caller: &Caller, price: &str, decision: &str) -> Answer {
    let revision = case(caller, price)["revision"].clone();
    order(
        caller,
        price,
        &json!({"decision": decision, "reason": "the seller's page was seen", "revision": revision}),
    )
}

fn queue(caller: &Caller, query: &str) -> Vec<String> {
    let queue = caller.get(&format!("{DESK}{query}")).expect(200).json();
    let rows = queue["rows"].as_array().unwrap();
    rows.iter().map(|row| row["report"]["price"].as_str().unwrap().to_owned()).collect()
}

/// The published medians, byte for byte.
fn medians(app: &TestApp) -> String {
    app.anonymous().get("/v1/prices/medians?format=csv").expect(200).text()
}

fn stored(app: &TestApp, price: &str) -> Value {
    app.anonymous().get(&format!("/v1/prices/{price}")).expect(200).json()
}

#[test]
fn a_held_report_is_listed_decided_and_counts_and_the_other_word_restores_the_tables_to_the_byte() {
    let app = TestApp::new();
    let held = held(&app);
    let mo = app.moderator();
    let listed = mo.get(DESK).expect(200).json();
    assert_eq!((&listed["total"], queue(&mo, "")), (&json!(1), vec![held.clone()]));
    let row = &listed["rows"][0];
    assert_eq!(row["report"]["contributor"], "dora");
    assert_eq!(row["report"]["findings"][0]["code"], "price-outlier");
    // What is published now, which the report is not part of.
    let before = medians(&app);
    let table = app.anonymous().get("/v1/prices/medians").expect(200).json()["rows"][0].clone();
    for field in ["median", "from", "to", "contributors", "standing", "reports"] {
        assert_eq!(row["published"][field], table[field], "{field}");
    }
    assert_eq!(row["published"]["median"], 40.0);
    let points = row["priority"]["points"].as_f64().unwrap();
    assert_eq!(
        points,
        row["report"]["numbers"]["z"].as_f64().unwrap().min(10.0) + row["priority"]["age"].as_f64().unwrap()
    );
    for nothing in ["?card=otterwick-burrow-4", "?contributor=ada", "?offset=1"] {
        assert!(queue(&mo, nothing).is_empty(), "{nothing}");
    }
    assert_eq!(queue(&mo, "?card=otterwick-burrow-2&contributor=dora"), [held.as_str()]);

    let accepted = decide(&mo, &held, "accept").expect(201).json();
    assert_eq!(
        (&accepted["was"], &accepted["verdict"], &accepted["close"]),
        (&json!("held"), &json!("accepted"), &json!(false))
    );
    assert!(queue(&mo, "").is_empty());
    let after = medians(&app);
    assert_ne!(after, before);
    assert!(after.contains(",41.0,") || after.contains(",41,"), "the median of four: {after}");
    let told = stored(&app, &held);
    assert_eq!(told["verdict"], "accepted");
    let finding = &told["findings"][1];
    assert_eq!(finding["code"], "price-accepted-by-moderator");
    assert!(finding["message"].as_str().unwrap().contains("the seller's page was seen"), "{told}");

    decide(&mo, &held, "accept").problem(409, "already-so");
    let rejected = decide(&mo, &held, "reject").expect(201).json();
    assert_eq!((&rejected["was"], &rejected["verdict"]), (&json!("accepted"), &json!("rejected")));
    assert_eq!(medians(&app), before);
    // An accepted report that is rejected and accepted again is where it was, too.
    let ada = id(&app.anonymous().get("/v1/prices?contributor=ada").expect(200).json()["rows"][0]);
    decide(&mo, &ada, "reject").expect(201);
    assert_ne!(medians(&app), before);
    decide(&mo, &ada, "accept").expect(201);
    assert_eq!(medians(&app), before);
    assert_eq!(case(&mo, &held)["decisions"], json!([accepted, rejected]));
    assert_eq!(app.storage.verify_audit(None).unwrap().broken, Vec::<String>::new());
    let decisions = mo.get(&format!("{DESK}/decisions?limit=3")).expect(200).json();
    let numbers: Vec<i64> =
        decisions["rows"].as_array().unwrap().iter().map(|d| d["decision"].as_i64().unwrap()).collect();
    assert_eq!((numbers, &decisions["next"]), (vec![4, 3, 2], &json!(2)));
    let export =
        app.anonymous().with_token(app.contributor_token(0)).get("/v1/account/export").expect(200).text();
    let own = export.lines().find(|line| line.contains("\"kind\":\"price\"")).unwrap();
    let own: Value = serde_json::from_str(own).unwrap();
    assert_eq!(own["decisions"].as_array().unwrap().len(), 2, "{own}");
}

#[test]
fn of_two_moderators_the_second_is_told_and_nobody_decides_of_their_own() {
    let app = TestApp::new();
    let held = held(&app);
    let (mo, milo) = (app.moderator(), app.staff("milo", Role::Moderator));
    let seen = case(&mo, &held)["revision"].clone();
    let body = |decision: &str| json!({"decision": decision, "reason": "seen", "revision": seen});
    order(&mo, &held, &body("accept")).expect(201);
    let problem = order(&milo, &held, &body("reject")).problem(409, "case-changed");
    assert!(problem["detail"].as_str().unwrap().starts_with("It is accepted now, at revision "), "{problem}");
    assert_eq!(stored(&app, &held)["verdict"], "accepted");
    let own = id(&report(&mo, &price(90_000)));
    decide(&mo, &own, "accept").problem(403, "own-run");
    decide(&milo, &own, "reject").expect(201);
    for (field, wrong) in [
        ("decision", json!("rerun")),
        ("decision", Value::Null),
        ("reason", json!("")),
        ("revision", json!(-1)),
    ] {
        let mut order_ = body("reject");
        order_[field] = wrong;
        let problem = order(&mo, &held, &order_).problem(422, "off-schema");
        assert_eq!(problem["findings"][0]["pointer"], format!("/{field}"));
    }
    let nobodys = format!("p-{}", "0".repeat(32));
    order(&mo, &nobodys, &body("accept")).problem(404, "not-found");
    mo.get(&format!("{DESK}?crad=x")).problem(400, "unknown-parameter");
}

#[test]
fn a_decision_about_somebody_with_the_same_bench_is_marked_for_others_to_see() {
    let app = TestApp::new();
    let held = held(&app);
    let mo = app.moderator();
    decide(&mo, &held, "accept").expect(201);
    // Moderator and contributor describe the same machine.
    mo.submit(&run(60.0, 1)).expect(201);
    let dora = app.storage.account_by_name("dora").unwrap().unwrap();
    app.with_new_token(&dora).submit(&run(60.6, 2)).expect(201);
    assert_eq!(decide(&mo, &held, "reject").expect(201).json()["close"], true);
    let near = id(&report(&app.contributor(0), &price(4100)));
    assert_eq!(decide(&mo, &near, "reject").expect(201).json()["close"], false);
    let listed = |query: &str| -> Vec<i64> {
        let answer = mo.get(&format!("{DESK}/decisions{query}")).expect(200).json();
        answer["rows"].as_array().unwrap().iter().map(|d| d["decision"].as_i64().unwrap()).collect()
    };
    assert_eq!(listed("?close=yes"), [2]);
    assert_eq!(listed("?close=no"), [3, 1]);
    assert_eq!(listed(""), [3, 2, 1]);
}

#[test]
fn a_report_of_an_unknown_card_counts_once_the_catalogue_has_the_card() {
    let app = TestApp::new();
    let unknown = id(&report(&app.contributor(0), &with(price(4000), "/card", json!("Burrow 9"))));
    let mo = app.moderator();
    assert_eq!(queue(&mo, "?card=burrow9"), [unknown.as_str()]);
    assert_eq!(case(&mo, &unknown)["counts_as"], Value::Null);
    let problem = decide(&mo, &unknown, "accept").problem(409, "cannot-count");
    assert!(problem["detail"].as_str().unwrap().contains("catalogue"), "{problem}");
    let mut grown = catalogue();
    let mut card = grown.cards[0].clone();
    (card.id, card.name) = ("otterwick-burrow-9".to_owned(), "Burrow 9".to_owned());
    card.aliases.clear();
    grown.cards = vec![card];
    app.storage.import_catalogue(grown, Utc::now()).unwrap();
    assert_eq!(case(&mo, &unknown)["counts_as"], "otterwick-burrow-9");
    decide(&mo, &unknown, "accept").expect(201);
    let rows = app.anonymous().get("/v1/prices/medians").expect(200).json()["rows"].clone();
    assert_eq!((&rows[0]["card"], &rows[0]["median"]), (&json!("otterwick-burrow-9"), &json!(40.0)));
    // What contradicts itself stays out.
    let none = id(&report(&app.contributor(0), &with(price(4000), "/currency", json!("XXX"))));
    decide(&mo, &none, "accept").problem(409, "cannot-count");
}

#[test]
fn price_reports_are_decided_from_the_command_line() {
    let app = TestApp::new();
    let held = held(&app);
    let desk = Desk::new();
    std::fs::write(desk.folder.path().join("mo.token"), app.moderator_token()).unwrap();
    let url = format!("http://{}", app.address());
    let moderate = |code: i32, args: &[&str]| {
        let mut all = vec!["moderate"];
        all.extend(args);
        all.extend(["--server", &url, "--token-file", "mo.token"]);
        desk.ends(code, &all)
    };
    let listed = moderate(0, &["prices"]);
    for words in [held.as_str(), "dora", "160.00 EUR", "40.00", "price-outlier", "1 of 1 price reports"] {
        assert!(listed.contains(words), "{words}: {listed}");
    }
    assert!(listed.lines().all(|line| line.chars().count() <= 120), "{listed}");
    let shown = moderate(0, &["price", &held]);
    assert!(shown.contains("is held") && shown.contains("3 contributor(s) say 40.00 (95 %"), "{shown}");
    assert!(shown.lines().all(|line| line.chars().count() <= 120), "{shown}");
    moderate(2, &["price", &held, "accept"]);
    let done = moderate(0, &["price", &held, "accept", "--reason", "a rare variant"]);
    assert!(done.contains("was held and is accepted now") && done.contains("reject --reason"), "{done}");
    assert_eq!(stored(&app, &held)["verdict"], "accepted");
    assert!(moderate(0, &["prices"]).contains("No price report waits."));
    assert!(moderate(0, &["price", &held]).contains("a rare variant"));
    moderate(0, &["price", &held, "reject", "--reason", "no: another card"]);
    assert_eq!(stored(&app, &held)["verdict"], "rejected");
    assert_eq!(moderate(0, &["decisions", "--prices"]).lines().count(), 3);
    assert!(moderate(0, &["decisions", "--prices", "--close"]).contains("Nothing was decided"));
    assert!(moderate(0, &["decisions", "--close"]).contains("Nothing was decided"));
}
