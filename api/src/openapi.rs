//! The description of the interface (OpenAPI 3.1), generated from the handlers. The schemas of
//! documents are the published ones, not copies of them.

use std::collections::BTreeMap;

use serde_json::{Value, json};
use utoipa::openapi::security::{ApiKey, ApiKeyValue, HttpAuthScheme, HttpBuilder, SecurityScheme};
use utoipa::openapi::{ContentBuilder, Ref, RefOr, Response, ResponseBuilder};
use utoipa::{IntoResponses, Modify, OpenApi};

use crate::error::ApiError;
use crate::handlers::{
    accounts, batch, bulk, catalogue, clusters, compare, contributors, corrections, documents, facts, health,
    invitations, medians, moderation, personal, playable, plots, precision, price_cases, prices, proposals,
    rules, runs, second_factor, sessions, tokens, tracks, value, wanted,
};
use crate::views::problem::{PROBLEM_JSON, Problem};
use crate::views::shapes::{
    BenchDocument, CardDocument, ChipDocument, CpuDocument, DriverReleaseDocument, PriceDocument,
    RunDocument, WorkloadDocument,
};

/// Declares sets of error answers that operations share.
macro_rules! answers {
    ($($(#[$doc:meta])* $name:ident: $($status:literal)+;)+) => {$(
        $(#[$doc])*
        pub(crate) struct $name;

        impl IntoResponses for $name {
            fn responses() -> BTreeMap<String, RefOr<Response>> {
                [$($status),+].into_iter().map(problem).collect()
            }
        }
    )+};
}

answers! {
    /// Of submissions.
    Submission: 400 401 403 408 413 415 422 429 500 503;
    /// Of what moderators read.
    Desk: 400 401 403 429 500 503;
    /// Of what is decided.
    Decided: 400 401 403 404 408 409 413 415 422 429 500 503;
    /// Of what an account reads of itself.
    Own: 400 401 403 429 500 503;
    /// Of what an account names of its own.
    OwnEntry: 400 401 403 404 429 500 503;
    /// Of what an account changes.
    OwnChange: 400 401 403 408 413 415 422 429 500 503;
    /// Of what needs no credential, but a body.
    Open: 400 403 408 413 415 422 429 500 503;
    /// Of documents that are there whatever is asked.
    Plain: 304 400 500 503;
    /// Of one entry.
    Entry: 304 400 404 410 500 503;
    /// Of lists in pages.
    List: 400 500 503;
    /// Of tables.
    Table: 304 400 406 410 422 500 503;
    /// Of tables that come whole.
    Whole: 304 400 406 500 503;
    /// Of a comparison.
    Compare: 304 400 406 422 500 503;
    /// Of a card's worth.
    Valued: 304 400 422 500 503;
    /// Of the table of one card.
    Track: 304 400 404 406 422 500 503;
}

fn problem(status: u16) -> (String, RefOr<Response>) {
    let description = match status {
        304 => "What If-None-Match names still holds",
        400 => "A parameter, a header or the body breaks a rule that the findings name",
        401 => "A valid token is needed",
        403 => "The token's scopes, the account's role or its standing do not allow this",
        404 => "There is nothing at this address",
        406 => "None of the accepted formats can be made",
        408 => "The body did not arrive in time",
        409 => "It does not fit what is stored; the detail says why",
        410 => "The table has changed since the cursor was made, or what was asked for was withdrawn",
        413 => "The body is too large, as sent or as it expands",
        415 => "The type or encoding of the body is not taken",
        422 => "It is well formed, but the findings name what it breaks",
        429 => "Too many requests",
        500 => "The service failed",
        _ => "The service is busy or took too long; try again",
    };
    let mut answer = ResponseBuilder::new().description(description);
    if status >= 400 {
        let schema = Ref::from_schema_name("Problem");
        answer = answer.content(PROBLEM_JSON, ContentBuilder::new().schema(Some(schema)).build());
    }
    (status.to_string(), RefOr::T(answer.build()))
}

#[derive(OpenApi)]
#[openapi(
    info(
        title = "Wearmark",
        description = "Benchmark runs of graphics cards from many test benches: submitted, checked, and published as medians per configuration and as tracks over driver releases.",
        license(name = "MIT OR Apache-2.0", identifier = "MIT OR Apache-2.0")
    ),
    modifiers(&Tokens),
    components(schemas(
        Problem, RunDocument, BenchDocument, ChipDocument, CardDocument, DriverReleaseDocument, CpuDocument,
        WorkloadDocument, PriceDocument
    )),
    paths(
        runs::create_run, runs::check_run, batch::create_batch, runs::list_runs, runs::find_run,
        runs::find_judgements, runs::find_frame_times, runs::find_plot, medians::list_medians, compare::find_comparison, wanted::find_wanted, plots::find_comparison_plot, plots::find_track_plot, plots::find_ladder_plot, facts::list_facts,
        prices::create_price, prices::list_prices, prices::find_price, prices::list_medians, value::find_value,
        precision::list_precision, precision::list_rule_records, catalogue::list_cards, catalogue::find_card,
        tracks::find_track, playable::find_playable, tracks::find_chip_track, tracks::find_changes, catalogue::list_chips, catalogue::find_chip, catalogue::list_drivers,
        catalogue::find_driver, catalogue::list_cpus, catalogue::find_cpu, catalogue::list_workloads,
        catalogue::find_workload, rules::list_rules, proposals::list_proposals,
        moderation::list_cases, moderation::find_case, moderation::create_claim, moderation::delete_claim,
        moderation::create_decision, moderation::revert_decision, moderation::list_decisions, bulk::create_bulk,
        price_cases::list_price_cases, price_cases::list_price_decisions, price_cases::find_price_case,
        price_cases::create_price_decision, clusters::list_clusters,
        contributors::find_contributor, contributors::create_measure, contributors::delete_measure,
        contributors::list_ties, contributors::create_separation,
        contributors::create_appeal, corrections::create_correction, corrections::list_corrections,
        corrections::answer_correction, personal::delete_run, personal::delete_price, personal::export_account,
        personal::delete_account, documents::find_index,
        documents::find_openapi, documents::find_schema, rules::list_problems, rules::find_problem,
        accounts::create_account, accounts::find_account, accounts::update_password,
        second_factor::create_second_factor, second_factor::confirm_second_factor, second_factor::delete_second_factor,
        tokens::list_tokens, tokens::create_token, tokens::delete_token,
        sessions::create_session, sessions::list_sessions, sessions::delete_session,
        invitations::list_invitations, invitations::create_invitation, invitations::delete_invitation,
        health::find_live, health::find_ready
    )
)]
struct Interface;

struct Tokens;

impl Modify for Tokens {
    fn modify(&self, openapi: &mut utoipa::openapi::OpenApi) {
        let scheme = HttpBuilder::new()
            .scheme(HttpAuthScheme::Bearer)
            .description(Some("A token of an account, in the Authorization header only (RFC 6750)."))
            .build();
        if let Some(components) = openapi.components.as_mut() {
            components.add_security_scheme("token", SecurityScheme::Http(scheme));
            let cookie = ApiKeyValue::with_description(
                "wearmark",
                "The cookie of a session; `__Host-wearmark` behind TLS. What changes something must come from a page of the service.",
            );
            components.add_security_scheme("session", SecurityScheme::ApiKey(ApiKey::Cookie(cookie)));
        }
    }
}

/// Published schemas and the components that stand for them.
const PUBLISHED: [(&str, &str); 10] = [
    ("run/1", "RunDocument"),
    ("bench/1", "BenchDocument"),
    ("chip/1", "ChipDocument"),
    ("card/1", "CardDocument"),
    ("driver-release/1", "DriverReleaseDocument"),
    ("cpu/1", "CpuDocument"),
    ("workload/1", "WorkloadDocument"),
    ("scene/1", "SceneDocument"),
    ("catalogue/1", "CatalogueDocument"),
    ("price/1", "PriceDocument"),
];

/// The whole description.
///
/// # Errors
/// When a published schema cannot be put in.
pub fn document() -> Result<Value, ApiError> {
    let failed = |e: serde_json::Error| ApiError::internal("describing the interface", &e);
    let mut document = serde_json::to_value(Interface::openapi()).map_err(failed)?;
    for published in wearmark_schema::documents() {
        let Some((_, name)) = PUBLISHED.iter().find(|(path, _)| *path == published.path) else { continue };
        let mut schema: Value = serde_json::from_str(published.text).map_err(failed)?;
        let own = format!("#/components/schemas/{name}");
        rebase(&mut schema, &own);
        if let Some(fields) = schema.as_object_mut() {
            fields.remove("$schema");
            fields.remove("$id");
        }
        document["components"]["schemas"][*name] = schema;
    }
    document["externalDocs"] =
        json!({"url": "/schemas/run/1", "description": "The published schema of a run"});
    Ok(document)
}

/// Points references inside a published schema at its place among the components.
fn rebase(schema: &mut Value, own: &str) {
    match schema {
        Value::Object(fields) => {
            for (name, value) in fields.iter_mut() {
                match value {
                    Value::String(target) if name == "$ref" => *target = rebased(target, own),
                    other => rebase(other, own),
                }
            }
        }
        Value::Array(items) => items.iter_mut().for_each(|item| rebase(item, own)),
        _ => {}
    }
}

fn rebased(target: &str, own: &str) -> String {
    if let Some(local) = target.strip_prefix('#') {
        return format!("{own}{local}");
    }
    let (id, fragment) = target.split_once('#').unwrap_or((target, ""));
    let published = wearmark_schema::documents().iter().find(|d| d.id == id);
    let name = published.and_then(|d| PUBLISHED.iter().find(|(path, _)| *path == d.path));
    match name {
        Some((_, name)) => format!("#/components/schemas/{name}{fragment}"),
        None => target.to_owned(),
    }
}
