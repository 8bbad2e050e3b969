//! Documents about the service: where to begin, the published schemas, the interface description.

use actix_web::web::{Data, Path};
use actix_web::{HttpRequest, HttpResponse};
use serde::Serialize;
use utoipa::ToSchema;

use super::found;
use crate::error::ApiError;
use crate::published::answer::At;
use crate::published::document;
use crate::state::State;

/// Where to begin.
#[derive(Debug, Serialize, ToSchema)]
pub struct Index {
    /// What this is.
    service: &'static str,
    /// Version of the program.
    version: &'static str,
    /// Resources to begin with.
    links: Vec<Link>,
}

/// A resource to begin with.
#[derive(Debug, Serialize, ToSchema)]
pub struct Link {
    /// Path.
    href: &'static str,
    /// What is there.
    title: &'static str,
}

const LINKS: [(&str, &str); 20] = [
    ("/openapi.json", "Description of this interface (OpenAPI 3.1)"),
    ("/schemas/run/1", "Schema of a run (JSON Schema 2020-12)"),
    ("/v1/runs", "Runs: submit (POST) and list"),
    ("/v1/medians", "Medians per configuration"),
    ("/schemas/price/1", "Schema of a price report (JSON Schema 2020-12)"),
    ("/v1/prices", "Prices of cards: report (POST) and list"),
    ("/v1/prices/medians", "Medians of prices by card, currency and condition"),
    ("/v1/facts", "One row an accepted run: what the medians are computed from"),
    ("/v1/precision", "How well runs repeat and contributors agree"),
    ("/v1/precision/rules", "How many runs each rule stopped, and what became of them"),
    ("/v1/cards", "Cards; each has a track over driver releases, and what it still plays"),
    ("/v1/chips", "Chips"),
    ("/v1/drivers", "Driver releases"),
    ("/v1/cpus", "Processors"),
    ("/v1/workloads", "Workloads with their scenes"),
    ("/v1/rules", "Rules that submissions are checked by"),
    ("/v1/proposals", "Catalogue entries that runs would need"),
    ("/problems", "Kinds of problems"),
    ("/health/live", "Whether the service runs"),
    ("/health/ready", "Whether the service can take submissions"),
];

/// Where to begin.
#[utoipa::path(get, path = "/", tag = "service", responses((status = 200, body = Index), crate::openapi::Plain))]
pub async fn find_index(state: Data<State>, request: HttpRequest) -> Result<HttpResponse, ApiError> {
    document::answer(&state, &request, At::Program, |_, _| {
        Ok(Index {
            service: "Wearmark: benchmark runs of graphics cards, pooled, checked and published",
            version: env!("CARGO_PKG_VERSION"),
            links: LINKS.iter().map(|&(href, title)| Link { href, title }).collect(),
        })
    })
    .await
}

/// A published JSON Schema, at the path of its `$id`.
#[utoipa::path(get, path = "/schemas/{name}/{version}", tag = "service",
    params(("name" = String, Path, description = "Name of the document"), ("version" = String, Path, description = "Its version")),
    responses((status = 200, body = Object, content_type = "application/schema+json"), crate::openapi::Entry))]
pub async fn find_schema(
    state: Data<State>,
    path: Path<(String, String)>,
    request: HttpRequest,
) -> Result<HttpResponse, ApiError> {
    let (name, version) = path.into_inner();
    let path = format!("{name}/{version}");
    document::text(&state, &request, At::Program, "application/schema+json", move |_, _| {
        let document = wearmark_schema::documents().iter().find(|d| d.path == path);
        Ok(found(document, "schema", &path)?.text.as_bytes().to_vec())
    })
    .await
}

/// The description of this interface.
#[utoipa::path(get, path = "/openapi.json", tag = "service", responses((status = 200, body = Object), crate::openapi::Plain))]
pub async fn find_openapi(state: Data<State>, request: HttpRequest) -> Result<HttpResponse, ApiError> {
    document::answer(&state, &request, At::Program, |_, _| crate::openapi::document()).await
}
