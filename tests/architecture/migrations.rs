//! The migration folders. That they run up, down and up again, and that they agree with the tables the code
//! knows, is tested beside the code that runs them.

use std::collections::BTreeSet;
use std::fs;

use crate::root;

fn folders(engine: &str) -> BTreeSet<String> {
    let path = root().join("migrations").join(engine);
    fs::read_dir(path).unwrap().map(|entry| entry.unwrap().file_name().into_string().unwrap()).collect()
}

fn engines() -> Vec<String> {
    fs::read_dir(root().join("migrations"))
        .unwrap()
        .map(|entry| entry.unwrap().file_name().into_string().unwrap())
        .collect()
}

#[test]
fn every_migration_goes_up_and_down() {
    for engine in engines() {
        let folders = folders(&engine);
        assert!(!folders.is_empty(), "{engine} has no migration");
        for folder in folders {
            for file in ["up.sql", "down.sql"] {
                let path = root().join("migrations").join(&engine).join(&folder).join(file);
                let text = fs::read_to_string(&path).unwrap_or_else(|e| panic!("{}: {e}", path.display()));
                assert!(!text.trim().is_empty(), "{} is empty", path.display());
            }
        }
    }
}

#[test]
fn every_engine_has_the_same_migrations() {
    let sqlite = folders("sqlite");
    for engine in engines() {
        assert_eq!(folders(&engine), sqlite, "{engine} differs from sqlite");
    }
}

#[test]
fn every_table_that_goes_up_comes_down() {
    for engine in engines() {
        for folder in folders(&engine) {
            let read = |file| {
                fs::read_to_string(root().join("migrations").join(&engine).join(&folder).join(file)).unwrap()
            };
            let named = |text: &str, words: &str| -> BTreeSet<String> {
                text.split(words)
                    .skip(1)
                    .map(|rest| rest.split([' ', ';', '\n']).next().unwrap().to_owned())
                    .collect()
            };
            let (up, down) = (read("up.sql"), read("down.sql"));
            // A table that is made anew under another name takes the place of the old one.
            let anew = |text: &str| named(text, "RENAME TO ");
            let made = named(&up, "CREATE TABLE ");
            let made: BTreeSet<_> =
                made.into_iter().filter(|name| !anew(&up).contains(name.trim_end_matches("_new"))).collect();
            let dropped: BTreeSet<_> =
                named(&down, "DROP TABLE ").difference(&anew(&down)).cloned().collect();
            assert_eq!(made, dropped, "{engine}/{folder}");
        }
    }
}
