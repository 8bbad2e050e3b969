//! What a log-in costs, and whether it tells known accounts from unknown ones: times of wrong passwords for both, and
//! their ratio. It reports; whether the ratio is near enough to one is for people to say, since machines differ.

use std::time::Instant;

use chrono::DateTime;
use wearmark_api::storage::accounts::Role;
use wearmark_api::storage::{Storage, StorageConfig};

/// Log-ins of each kind.
const TIMES: usize = 40;

fn main() -> anyhow::Result<()> {
    let folder = tempfile::tempdir()?;
    let storage = Storage::open(&StorageConfig::new(folder.path()))?;
    storage.create_account(
        "known",
        "brittle orchard teapot nine",
        Role::Contributor,
        DateTime::UNIX_EPOCH,
    )?;
    let time = |name: &str| -> anyhow::Result<f64> {
        let started = Instant::now();
        storage.account_by_password(name, "not the right password")?;
        Ok(started.elapsed().as_secs_f64() * 1e3)
    };
    // The first of each makes what later ones find.
    time("known")?;
    time("unknown")?;
    let (mut known, mut unknown) = (Vec::new(), Vec::new());
    // By turns, and each first as often as the other, so that whatever else the machine does meets both.
    for round in 0..TIMES {
        if round % 2 == 0 {
            known.push(time("known")?);
        }
        unknown.push(time("unknown")?);
        if round % 2 == 1 {
            known.push(time("known")?);
        }
    }
    let median = |times: &mut Vec<f64>| {
        times.sort_by(f64::total_cmp);
        (times[TIMES / 2 - 1] + times[TIMES / 2]) / 2.0
    };
    let (known, unknown) = (median(&mut known), median(&mut unknown));
    println!("wrong password, known account    {known:8.2} ms (median of {TIMES})");
    println!("wrong password, unknown account  {unknown:8.2} ms (median of {TIMES})");
    println!("unknown / known                  {:8.3}", unknown / known);
    storage.close();
    Ok(())
}
