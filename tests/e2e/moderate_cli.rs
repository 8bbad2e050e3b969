//! A moderator's shift from the command line.

use serde_json::{Value, json};
use wearmark_api::storage::accounts::Role;
use wearmark_tests::app::TestApp;
use wearmark_tests::runs::run;

use crate::pack::Desk;

struct Shift {
    app: TestApp,
    desk: Desk,
    url: String,
}

impl Shift {
    fn new() -> Shift {
        let app = TestApp::new();
        let desk = Desk::new();
        let url = format!("http://{}", app.address());
        for (file, token) in [("mo.token", app.moderator_token()), ("ada.token", app.contributor_token(0))] {
            std::fs::write(desk.folder.path().join(file), token).unwrap();
        }
        Shift { app, desk, url }
    }

    #[track_caller]
    fn ends(&self, code: i32, args: &[&str], token: &str) -> String {
        let mut all = args.to_vec();
        all.extend(["--server", &self.url, "--token-file", token]);
        self.desk.ends(code, &all)
    }

    #[track_caller]
    fn moderate(&self, args: &[&str]) -> String {
        let mut all = vec!["moderate"];
        all.extend(args);
        self.ends(0, &all, "mo.token")
    }

    #[track_caller]
    fn json(&self, args: &[&str]) -> Value {
        let mut all = args.to_vec();
        all.push("--json");
        serde_json::from_str(&self.moderate(&all)).unwrap()
    }

    fn verdict(&self, run: &str) -> String {
        let stored = self.app.anonymous().get(&format!("/v1/runs/{run}")).expect(200).json();
        stored["verdict"].as_str().unwrap().to_owned()
    }
}

#[test]
fn a_shift_at_the_desk_from_the_command_line() {
    let shift = Shift::new();
    let lines = |text: &str| text.lines().count();
    assert!(shift.moderate(&["queue"]).contains("Nothing waits."));
    let measure = ["measure", "ada", "hold-all", "--words", "figures that nobody else has", "--days", "7"];
    assert!(shift.moderate(&measure).contains("measure 1: hold-all"));
    let runs: Vec<String> = (1..=4)
        .map(|seed| {
            let receipt = shift.app.submitter().submit(&run(59.0 + seed as f64, seed)).expect(201).json();
            assert_eq!(receipt["verdict"], "held");
            receipt["run"].as_str().unwrap().to_owned()
        })
        .collect();
    let queue = shift.moderate(&["queue"]);
    for run in &runs {
        assert!(queue.contains(run.as_str()), "{queue}");
    }
    assert!(queue.lines().all(|line| line.chars().count() <= 120), "{queue}");
    let shown = shift.moderate(&["show", &runs[0]]);
    for words in
        ["is held", "contributor-held", "ada: 0 runs accepted", "hold-all", "Nothing is published there yet"]
    {
        assert!(shown.contains(words), "{words}: {shown}");
    }
    assert!(shift.moderate(&["claim", &runs[0]]).starts_with("The case is yours until "));
    shift.moderate(&["unclaim", &runs[0]]);
    let accepted = shift.json(&["accept", &runs[0], "--reason", "looked at its frames"]);
    assert_eq!(shift.verdict(&runs[0]), "accepted");
    shift.moderate(&["reject", &runs[1], "--reason", "a menu in every pass"]);
    assert_eq!(shift.verdict(&runs[1]), "rejected");
    shift.ends(0, &["appeal", &runs[1], "--words", "the menu is drawn over the scene"], "ada.token");
    assert!(shift.moderate(&["queue", "--appealed"]).contains("appeal; "));
    assert!(shift.moderate(&["show", &runs[1]]).contains("the menu is drawn over the scene"));
    let back = accepted["decision"].to_string();
    assert!(shift.moderate(&["revert", &back, "--reason", "the wrong run"]).contains("is held now"));
    assert_eq!(shift.verdict(&runs[0]), "held");
    let duplicate = ["duplicate", &runs[2], "--of", &runs[3], "--reason", "one capture"];
    shift.moderate(&duplicate);
    assert_eq!(shift.verdict(&runs[2]), "rejected");
    // Many at once: seen first, then decided.
    let bulk = ["bulk", "accept", "--contributor", "ada", "--reason", "all looked at"];
    let preview = shift.moderate(&bulk);
    assert!(preview.contains("Nothing is decided yet"), "{preview}");
    assert_eq!(shift.verdict(&runs[3]), "held");
    let stamp = preview.split("--stamp ").nth(1).unwrap().trim();
    let mut decided = bulk.to_vec();
    decided.extend(["--stamp", stamp]);
    assert!(shift.moderate(&decided).starts_with("3 decided, 0 passed over"));
    assert_eq!(shift.verdict(&runs[3]), "accepted");
    assert_eq!(lines(&shift.moderate(&["decisions"])), 8);
    let record = shift.json(&["contributor", "ada"]);
    assert_eq!((&record["accepted"], &record["rejected"]), (&json!(3), &json!(1)));
    assert!(shift.moderate(&["lift", "ada", "1"]).contains("lifted"));
    assert_eq!(shift.app.storage.verify_audit(None).unwrap().broken, Vec::<String>::new());
}

#[test]
fn what_a_moderator_may_not_do_is_said_in_words() {
    let shift = Shift::new();
    shift.ends(1, &["moderate", "queue"], "ada.token");
    let mo = shift.app.storage.account_by_name("mo").unwrap().unwrap();
    assert_eq!(mo.role, Role::Moderator);
    let own = shift.app.moderator().submit(&run(60.0, 1)).expect(201).json();
    let run = own["run"].as_str().unwrap();
    shift.ends(1, &["moderate", "reject", run, "--reason", "mine"], "mo.token");
    assert_eq!(shift.verdict(run), "accepted");
}

#[test]
fn a_label_is_put_right_from_the_command_line() {
    let shift = Shift::new();
    let receipt = shift.app.contributor(0).submit(&run(60.0, 1)).expect(201).json();
    let wrong = receipt["run"].as_str().unwrap();
    let changes =
        ["--set", "/settings/preset=Low", "--set", "/settings/width=1280", "--set", "/settings/height=720"];
    let mut propose = vec!["correct", wrong, "--reason", "the notes say so"];
    propose.extend(changes);
    let proposed = shift.moderate(&propose);
    assert!(
        proposed.contains("open: the notes say so") && proposed.contains("/settings/width = 1280"),
        "{proposed}"
    );
    let seen = shift.ends(0, &["corrections"], "ada.token");
    assert_eq!(seen, proposed);
    let answered = shift.ends(0, &["corrections", "--agree", "1"], "ada.token");
    assert!(
        answered.contains("agreed: the notes say so") && answered.contains("the corrected run is r-"),
        "{answered}"
    );
    assert_eq!(shift.verdict(wrong), "rejected");
    assert!(shift.moderate(&["show", wrong]).contains("agreed: the notes say so"));
    shift.ends(1, &["corrections", "--decline", "1"], "ada.token");
}
