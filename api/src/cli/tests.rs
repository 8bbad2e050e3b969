#![expect(clippy::unwrap_used, reason = "tests")]

use clap::CommandFactory;

use super::exit::Outcome;
use super::*;

#[test]
fn the_command_line_is_well_formed() {
    Cli::command().debug_assert();
}

#[test]
fn every_command_explains_itself_with_an_example() {
    for command in Cli::command().get_subcommands().filter(|c| c.get_name() != "help") {
        let help = command.clone().render_help().to_string();
        assert!(help.contains("Example"), "{} has no example:\n{help}", command.get_name());
        assert!(help.contains(&format!("wearmark {}", command.get_name())), "{}", command.get_name());
    }
}

#[test]
fn secrets_have_no_option_and_no_environment_value_in_any_help() {
    fn walk(command: &clap::Command) {
        for argument in command.get_arguments() {
            assert!(argument.get_env().is_none_or(|name| name != "WEARMARK_TOKEN"), "{}", argument.get_id());
            assert!(!matches!(argument.get_long(), Some("token" | "password")), "{}", argument.get_id());
        }
        command.get_subcommands().for_each(walk);
    }
    walk(&Cli::command());
}

#[test]
fn the_gravest_outcome_counts() {
    let grave = [Outcome::Done, Outcome::Held, Outcome::Refused, Outcome::Broken, Outcome::ServerFailed];
    assert!(grave.is_sorted());
    assert_eq!(grave.map(Outcome::code), [0, 3, 4, 1, 5]);
}

#[test]
fn the_same_content_has_the_same_key() {
    assert_eq!(client::content_key(b"a"), client::content_key(b"a"));
    assert_ne!(client::content_key(b"a"), client::content_key(b"b"));
    assert_eq!(client::content_key(b"a").len(), 32);
}

#[test]
fn query_values_are_percent_encoded() {
    assert_eq!(client::encoded("a b/ü&x=1"), "a%20b%2F%C3%BC%26x%3D1");
}

#[test]
fn a_token_that_is_not_one_is_refused_without_being_shown() {
    let file = std::env::temp_dir().join(format!("wearmark-token-test-{}", std::process::id()));
    std::fs::write(&file, "wm_secret with blanks\n").unwrap();
    let said = client::token(Some(&file)).unwrap_err().to_string();
    std::fs::remove_file(&file).unwrap();
    assert!(!said.contains("secret"), "{said}");
}
