//! Times as stored: UTC without a zone, cut to microseconds, which is what every engine keeps.

use chrono::{DateTime, NaiveDateTime, SubsecRound as _, Utc};

/// A time cut to what is stored.
pub(crate) fn cut(time: DateTime<Utc>) -> DateTime<Utc> {
    time.trunc_subsecs(6)
}

/// A time for a column.
pub(crate) fn to_stored(time: DateTime<Utc>) -> NaiveDateTime {
    cut(time).naive_utc()
}

/// A time from a column.
pub(crate) fn from_stored(time: NaiveDateTime) -> DateTime<Utc> {
    time.and_utc()
}
