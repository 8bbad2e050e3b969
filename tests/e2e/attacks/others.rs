//! Other people's things by their ids. Where it is nobody's business whether a thing is there, somebody else's answers
//! exactly as one that never was.

use serde_json::{Value, json};
use wearmark_tests::app::{PASSWORD, TestApp};
use wearmark_tests::caller::{Answer, Caller};
use wearmark_tests::runs::run;

use super::{NOBODY, id, log_in, post};

/// Status and body without what names the request or the thing asked for.
fn blurred(answer: &Answer, id: &str) -> (u16, String) {
    let request = answer.header("x-request-id").unwrap();
    (answer.status, answer.text().replace(request, "REQUEST").replace(id, "ID"))
}

#[track_caller]
fn as_if_it_were_not(
    caller: &Caller,
    method: &str,
    path: &dyn Fn(&str) -> String,
    ids: [&str; 2],
    body: &Value,
) {
    let headers = [("content-type", "application/json")];
    let [theirs, unknown] =
        ids.map(|id| blurred(&caller.send(method, &path(id), &headers, body.to_string().as_bytes()), id));
    assert_eq!(theirs.0, 404, "{method} {}: {}", path("ID"), theirs.1);
    assert_eq!(theirs, unknown, "{method} {}", path("ID"));
}

#[test]
fn what_is_another_accounts_is_as_if_it_were_not_there() {
    let app = TestApp::new();
    let (ada, bo) = (app.contributor(0), app.contributor(1));
    log_in(&app, "ada", &[]);
    let session = ada.get("/v1/sessions").expect(200).json()["rows"][0]["id"].as_str().unwrap().to_owned();
    let token = ada.get("/v1/tokens").expect(200).json()["rows"][0]["id"].as_str().unwrap().to_owned();
    let unknown = |letter: &str| format!("{letter}-{NOBODY}");
    let none = json!({});
    for other in [&bo, &app.moderator(), &app.operator()] {
        let session_at = |id: &str| format!("/v1/sessions/{id}");
        as_if_it_were_not(other, "DELETE", &session_at, [&session, &unknown("s")], &none);
        let token_at = |id: &str| format!("/v1/tokens/{id}");
        as_if_it_were_not(other, "DELETE", &token_at, [&token, &unknown("t")], &none);
    }
    ada.get("/v1/account").expect(200);
    // Runs and prices are public, but only their owner takes them back or appeals for them.
    let stored = id(&ada.submit(&run(60.0, 1)).expect(201));
    let price = json!({
        "schema": "price/1", "card": "otterwick-burrow-2", "amount_minor": 4550, "currency": "EUR",
        "date": "2024-03-10", "condition": "used", "country": "XA", "source": "completed-sale"
    });
    let price = post(&ada, "/v1/prices", &price).expect(201).json()["price"].as_str().unwrap().to_owned();
    let seen = app.moderator().get(&format!("/v1/moderation/cases/{stored}")).expect(200).json();
    let order = json!({"decision": "reject", "reason": "seen", "revision": seen["revision"]});
    post(&app.moderator(), &format!("/v1/moderation/cases/{stored}/decisions"), &order).expect(201);
    let words = json!({"words": "it is mine"});
    for other in [&bo, &app.moderator(), &app.operator()] {
        let run_at = |id: &str| format!("/v1/runs/{id}");
        as_if_it_were_not(other, "DELETE", &run_at, [&stored, &unknown("r")], &none);
        let price_at = |id: &str| format!("/v1/prices/{id}");
        as_if_it_were_not(other, "DELETE", &price_at, [&price, &unknown("p")], &none);
        for id in [&stored, &unknown("r")] {
            post(other, &format!("/v1/runs/{id}/appeal"), &words).problem(404, "not-found");
        }
    }
    ada.get(&format!("/v1/runs/{stored}")).expect(200);
    ada.get(&format!("/v1/prices/{price}")).expect(200);
    assert_eq!(post(&ada, &format!("/v1/runs/{stored}/appeal"), &words).status, 204);
    // Nobody deletes another's account, not even with their own right password.
    let body = json!({"name": "ada", "password": PASSWORD}).to_string();
    let headers = [("content-type", "application/json")];
    bo.send("DELETE", "/v1/account", &headers, body.as_bytes()).problem(422, "off-schema");
    ada.get("/v1/account").expect(200);
}

#[test]
fn lists_and_exports_show_ones_own_alone() {
    let app = TestApp::new();
    let stored = id(&app.contributor(0).submit(&run(60.0, 1)).expect(201));
    log_in(&app, "ada", &[("user-agent", "ada's browser")]);
    post(&app.contributor(0), "/v1/tokens", &json!({"name": "ada's laptop", "scopes": ["submit"]}))
        .expect(201);
    for other in [app.contributor(1), app.moderator(), app.operator()] {
        for path in ["/v1/account", "/v1/tokens", "/v1/sessions", "/v1/account/export"] {
            let answer = other.get(path).expect(200);
            for secret in ["ada's", stored.as_str(), "\"ada\""] {
                assert!(!answer.text().contains(secret), "{path}: {}", answer.text());
            }
            // There is no way to ask for another's.
            for name in ["account", "contributor", "id", "name"] {
                other.get(&format!("{path}?{name}=ada")).problem(400, "unknown-parameter");
            }
        }
    }
    // A cookie of one beside the token of another: the token counts, and they are not added up.
    let cookie = log_in(&app, "opal", &[]);
    let both = [("cookie", cookie.as_str())];
    let answer = app.contributor(1).send("GET", "/v1/account", &both, &[]).expect(200).json();
    assert_eq!(answer["account"]["name"], "bo");
    app.contributor(1).send("GET", "/v1/invitations", &both, &[]).problem(403, "insufficient-scope");
}

#[test]
fn the_desk_tells_contributors_nothing_not_even_of_themselves() {
    let app = TestApp::new();
    let stored = id(&app.contributor(0).submit(&run(60.0, 1)).expect(201));
    let note = json!({"kind": "note", "words": "watched since May"});
    let mo = app.moderator();
    let measure = post(&mo, "/v1/moderation/contributors/ada/measures", &note).expect(201).json();
    let number = measure["id"].as_i64().unwrap_or(1);
    for (there, absent) in [
        (format!("/v1/moderation/cases/{stored}"), format!("/v1/moderation/cases/r-{NOBODY}")),
        ("/v1/moderation/contributors/ada".to_owned(), "/v1/moderation/contributors/nobody-here".to_owned()),
        (
            "/v1/moderation/contributors/ada/ties".to_owned(),
            "/v1/moderation/contributors/nobody/ties".to_owned(),
        ),
    ] {
        let [there, absent] = [there, absent].map(|path| {
            let answer = app.contributor(0).get(&path);
            answer.problem(403, "insufficient-scope");
            blurred(&answer, &path)
        });
        assert_eq!(there, absent);
    }
    for (method, path) in [
        ("DELETE", format!("/v1/moderation/contributors/ada/measures/{number}")),
        ("POST", format!("/v1/moderation/cases/{stored}/claim")),
        ("POST", "/v1/moderation/decisions/1/revert".to_owned()),
    ] {
        app.contributor(0).send(method, &path, &[], b"").problem(403, "insufficient-scope");
    }
    // A measure is lifted under the name that it is about, and under no other.
    let elsewhere = format!("/v1/moderation/contributors/bo/measures/{number}");
    mo.send("DELETE", &elsewhere, &[], b"").problem(404, "not-found");
    // What moderators note of a contributor is in no public answer of theirs.
    for path in
        [format!("/v1/runs/{stored}"), "/v1/runs?contributor=ada".to_owned(), "/v1/account".to_owned()]
    {
        let answer = app.contributor(0).get(&path).expect(200);
        assert!(!answer.text().contains("watched since"), "{path}: {}", answer.text());
    }
}

#[test]
fn invitations_are_operators_alone_and_are_shown_once() {
    let app = TestApp::new();
    let made = post(&app.operator(), "/v1/invitations", &json!({})).expect(201).json();
    let secret = made["invitation"].as_str().unwrap();
    let listed = app.operator().get("/v1/invitations").expect(200).text();
    assert!(!listed.contains(secret), "{listed}");
    let at = format!("/v1/invitations/{}", made["record"]["id"].as_str().unwrap());
    for other in [app.contributor(0), app.moderator()] {
        let [there, absent] = [at.clone(), format!("/v1/invitations/i-{NOBODY}")].map(|path| {
            let answer = other.send("DELETE", &path, &[], b"");
            answer.problem(403, "insufficient-scope");
            blurred(&answer, &path)
        });
        assert_eq!(there, absent);
    }
    let still = app.operator().get("/v1/invitations").expect(200).json();
    assert_eq!(still["rows"].as_array().unwrap().len(), 1, "{still}");
}
