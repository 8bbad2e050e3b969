//! Where the runs behind a published figure are, as URI templates (RFC 6570): filled in with the fields of a row by their
//! names, where a field that is null or not there is left out.

/// Of a row of medians.
pub const OF_A_MEDIAN: &str =
    "/v1/runs?verdict=accepted{&card,workload,scene,api,preset,width,height,driver,build,platform}";

/// Of a change that a release made on a card.
pub const OF_A_CHANGE: &str = "/v1/runs?verdict=accepted{&card,driver,workload}";

/// Of an entry of a card's or chip's own table that names a release and perhaps a workload. Ids are made of letters, digits,
/// dots and hyphens.
pub fn of_a_release(kind: &str, id: &str) -> String {
    format!("/v1/runs?verdict=accepted&{kind}={id}{{&driver,workload}}")
}
