//! Every address of the service, by who uses it.

use actix_web::dev::HttpServiceFactory;
use actix_web::middleware::{Compress, from_fn};
use actix_web::{FromRequest, Handler, Resource, Responder, Route, web};

use crate::auth::access::{require_moderator, require_operator, require_owner, require_submitter};
use crate::error::ApiError;
use crate::handlers::{
    accounts, batch, bulk, catalogue, clusters, compare, contributors, corrections, documents, facts, health,
    invitations, medians, moderation, personal, playable, plots, precision, price_cases, prices, proposals,
    rules, runs, second_factor, sessions, tokens, tracks, value, wanted,
};
use crate::middleware::deadline::deadline;

/// All routes.
pub fn routes(config: &mut web::ServiceConfig) {
    config
        // The submitter.
        .service(
            web::resource("/v1/runs")
                .route(web::post().to(runs::create_run).wrap(from_fn(require_submitter)))
                .route(web::get().to(runs::list_runs).wrap(Compress::default()))
                .route(web::head().to(runs::list_runs))
                .default_service(web::to(|| async { refuse("GET, HEAD, POST") }))
                .wrap(from_fn(deadline)),
        )
        .service(submit("/v1/runs/check", runs::check_run))
        .service(submit("/v1/runs/batch", batch::create_batch))
        .service(
            web::resource("/v1/prices")
                .route(web::post().to(prices::create_price).wrap(from_fn(require_submitter)))
                .route(web::get().to(prices::list_prices).wrap(Compress::default()))
                .route(web::head().to(prices::list_prices))
                .default_service(web::to(|| async { refuse("GET, HEAD, POST") }))
                .wrap(from_fn(deadline)),
        )
        .service(submit("/v1/runs/{id}/appeal", contributors::create_appeal))
        .service(
            web::resource("/v1/account/export")
                .route(web::get().to(personal::export_account).wrap(from_fn(require_owner)))
                .default_service(web::to(|| async { refuse("GET") })),
        )
        .service(
            web::resource("/v1/account/corrections")
                .route(web::get().to(corrections::list_corrections).wrap(from_fn(require_owner)))
                .default_service(web::to(|| async { refuse("GET") }))
                .wrap(from_fn(deadline)),
        )
        .service(submit("/v1/account/corrections/{id}", corrections::answer_correction))
        // The moderator.
        .service(desk(
            "/v1/moderation/queue",
            "GET, HEAD",
            [web::get().to(moderation::list_cases), web::head().to(moderation::list_cases)],
        ))
        .service(desk(
            "/v1/moderation/cases/{id}",
            "GET, HEAD",
            [web::get().to(moderation::find_case), web::head().to(moderation::find_case)],
        ))
        .service(desk(
            "/v1/moderation/cases/{id}/claim",
            "POST, DELETE",
            [web::post().to(moderation::create_claim), web::delete().to(moderation::delete_claim)],
        ))
        .service(desk(
            "/v1/moderation/cases/{id}/decisions",
            "POST",
            [web::post().to(moderation::create_decision)],
        ))
        .service(desk(
            "/v1/moderation/cases/{id}/corrections",
            "POST",
            [web::post().to(corrections::create_correction)],
        ))
        .service(desk(
            "/v1/moderation/decisions",
            "GET, HEAD",
            [web::get().to(moderation::list_decisions), web::head().to(moderation::list_decisions)],
        ))
        .service(desk(
            "/v1/moderation/decisions/{id}/revert",
            "POST",
            [web::post().to(moderation::revert_decision)],
        ))
        .service(desk("/v1/moderation/bulk", "POST", [web::post().to(bulk::create_bulk)]))
        .service(desk(
            "/v1/moderation/prices",
            "GET, HEAD",
            [web::get().to(price_cases::list_price_cases), web::head().to(price_cases::list_price_cases)],
        ))
        .service(desk(
            "/v1/moderation/prices/decisions",
            "GET, HEAD",
            [
                web::get().to(price_cases::list_price_decisions),
                web::head().to(price_cases::list_price_decisions),
            ],
        ))
        .service(desk(
            "/v1/moderation/prices/{id}",
            "GET, HEAD",
            [web::get().to(price_cases::find_price_case), web::head().to(price_cases::find_price_case)],
        ))
        .service(desk(
            "/v1/moderation/prices/{id}/decisions",
            "POST",
            [web::post().to(price_cases::create_price_decision)],
        ))
        .service(desk(
            "/v1/moderation/clusters",
            "GET, HEAD",
            [web::get().to(clusters::list_clusters), web::head().to(clusters::list_clusters)],
        ))
        .service(desk(
            "/v1/moderation/contributors/{name}",
            "GET, HEAD",
            [web::get().to(contributors::find_contributor), web::head().to(contributors::find_contributor)],
        ))
        .service(desk(
            "/v1/moderation/contributors/{name}/ties",
            "GET, HEAD, POST",
            [
                web::get().to(contributors::list_ties),
                web::head().to(contributors::list_ties),
                web::post().to(contributors::create_separation),
            ],
        ))
        .service(desk(
            "/v1/moderation/contributors/{name}/measures",
            "POST",
            [web::post().to(contributors::create_measure)],
        ))
        .service(desk(
            "/v1/moderation/contributors/{name}/measures/{id}",
            "DELETE",
            [web::delete().to(contributors::delete_measure)],
        ))
        // The account's owner.
        .service(
            web::resource("/v1/accounts")
                .route(web::post().to(accounts::create_account))
                .default_service(web::to(|| async { refuse("POST") }))
                .wrap(from_fn(deadline)),
        )
        .service(
            web::resource("/v1/account")
                .route(web::get().to(accounts::find_account).wrap(from_fn(require_owner)))
                .route(web::head().to(accounts::find_account).wrap(from_fn(require_owner)))
                .route(web::delete().to(personal::delete_account).wrap(from_fn(require_owner)))
                .default_service(web::to(|| async { refuse("GET, HEAD, DELETE") }))
                .wrap(from_fn(deadline)),
        )
        .service(
            web::resource("/v1/account/password")
                .route(web::put().to(accounts::update_password).wrap(from_fn(require_owner)))
                .default_service(web::to(|| async { refuse("PUT") }))
                .wrap(from_fn(deadline)),
        )
        .service(
            web::resource("/v1/account/second-factor")
                .route(web::post().to(second_factor::create_second_factor).wrap(from_fn(require_owner)))
                .route(web::put().to(second_factor::confirm_second_factor).wrap(from_fn(require_owner)))
                .route(web::delete().to(second_factor::delete_second_factor).wrap(from_fn(require_owner)))
                .default_service(web::to(|| async { refuse("POST, PUT, DELETE") }))
                .wrap(from_fn(deadline)),
        )
        .service(
            web::resource("/v1/tokens")
                .route(web::get().to(tokens::list_tokens).wrap(from_fn(require_owner)))
                .route(web::head().to(tokens::list_tokens).wrap(from_fn(require_owner)))
                .route(web::post().to(tokens::create_token).wrap(from_fn(require_owner)))
                .default_service(web::to(|| async { refuse("GET, HEAD, POST") }))
                .wrap(from_fn(deadline)),
        )
        .service(
            web::resource("/v1/tokens/{id}")
                .route(web::delete().to(tokens::delete_token).wrap(from_fn(require_owner)))
                .default_service(web::to(|| async { refuse("DELETE") })),
        )
        .service(
            web::resource("/v1/sessions")
                .route(web::get().to(sessions::list_sessions).wrap(from_fn(require_owner)))
                .route(web::head().to(sessions::list_sessions).wrap(from_fn(require_owner)))
                .route(web::post().to(sessions::create_session))
                .default_service(web::to(|| async { refuse("GET, HEAD, POST") }))
                .wrap(from_fn(deadline)),
        )
        .service(
            web::resource("/v1/sessions/{id}")
                .route(web::delete().to(sessions::delete_session).wrap(from_fn(require_owner)))
                .default_service(web::to(|| async { refuse("DELETE") })),
        )
        // The reader.
        .service(read_or_withdraw("/v1/runs/{id}", runs::find_run, personal::delete_run))
        .service(read("/v1/runs/{id}/judgements", runs::find_judgements))
        .service(read("/v1/runs/{id}/frame-times", runs::find_frame_times).wrap(Compress::default()))
        .service(read("/v1/runs/{id}/plot.svg", runs::find_plot).wrap(Compress::default()))
        .service(read("/v1/medians", medians::list_medians))
        .service(read("/v1/compare", compare::find_comparison))
        .service(read("/v1/compare.svg", plots::find_comparison_plot))
        .service(read("/v1/wanted", wanted::find_wanted))
        .service(read("/v1/prices/medians", prices::list_medians))
        .service(read_or_withdraw("/v1/prices/{id}", prices::find_price, personal::delete_price))
        .service(read("/v1/value", value::find_value))
        .service(read("/v1/facts", facts::list_facts))
        .service(read("/v1/precision", precision::list_precision))
        .service(read("/v1/precision/rules", precision::list_rule_records))
        .service(read("/v1/cards", catalogue::list_cards))
        .service(read("/v1/cards/{id}", catalogue::find_card))
        .service(read("/v1/cards/{id}/track", tracks::find_track))
        .service(read("/v1/cards/{id}/track.svg", plots::find_track_plot))
        .service(read("/v1/cards/{id}/ladders.svg", plots::find_ladder_plot))
        .service(read("/v1/cards/{id}/playable", playable::find_playable))
        .service(read("/v1/chips/{id}/track", tracks::find_chip_track))
        .service(read("/v1/drivers/{id}/changes", tracks::find_changes))
        .service(read("/v1/chips", catalogue::list_chips))
        .service(read("/v1/chips/{id}", catalogue::find_chip))
        .service(read("/v1/drivers", catalogue::list_drivers))
        .service(read("/v1/drivers/{id}", catalogue::find_driver))
        .service(read("/v1/cpus", catalogue::list_cpus))
        .service(read("/v1/cpus/{id}", catalogue::find_cpu))
        .service(read("/v1/workloads", catalogue::list_workloads))
        .service(read("/v1/workloads/{id}", catalogue::find_workload))
        .service(read("/v1/rules", rules::list_rules))
        .service(read("/v1/proposals", proposals::list_proposals))
        // The writer of a client.
        .service(read("/", documents::find_index))
        .service(read("/openapi.json", documents::find_openapi))
        .service(read("/schemas/{name}/{version}", documents::find_schema))
        .service(read("/problems", rules::list_problems))
        .service(read("/problems/{code}", rules::find_problem))
        // The operator.
        .service(
            web::resource("/v1/invitations")
                .route(web::get().to(invitations::list_invitations).wrap(from_fn(require_operator)))
                .route(web::head().to(invitations::list_invitations).wrap(from_fn(require_operator)))
                .route(web::post().to(invitations::create_invitation).wrap(from_fn(require_operator)))
                .default_service(web::to(|| async { refuse("GET, HEAD, POST") }))
                .wrap(from_fn(deadline)),
        )
        .service(
            web::resource("/v1/invitations/{id}")
                .route(web::delete().to(invitations::delete_invitation).wrap(from_fn(require_operator)))
                .default_service(web::to(|| async { refuse("DELETE") })),
        )
        .service(read("/health/live", health::find_live))
        .service(read("/health/ready", health::find_ready));
}

/// A resource that is read.
fn read<F, Args>(path: &str, handler: F) -> Resource
where
    F: Handler<Args>,
    Args: FromRequest + 'static,
    F::Output: Responder + 'static,
{
    web::resource(path)
        .route(web::get().to(handler.clone()))
        .route(web::head().to(handler))
        .default_service(web::to(|| async { refuse("GET, HEAD") }))
}

/// A resource that is read by everybody, and withdrawn by whose it is.
fn read_or_withdraw<F, A, G, B>(
    path: &str,
    reader: F,
    withdraw: G,
) -> impl HttpServiceFactory + use<F, A, G, B>
where
    F: Handler<A>,
    A: FromRequest + 'static,
    F::Output: Responder + 'static,
    G: Handler<B>,
    B: FromRequest + 'static,
    G::Output: Responder + 'static,
{
    web::resource(path)
        .route(web::get().to(reader.clone()))
        .route(web::head().to(reader))
        .route(web::delete().to(withdraw).wrap(from_fn(require_submitter)))
        .default_service(web::to(|| async { refuse("GET, HEAD, DELETE") }))
        .wrap(from_fn(deadline))
}

/// A resource of the moderators' desk: access is checked before any of the body is read.
fn desk<const N: usize>(
    path: &str,
    allow: &'static str,
    routes: [Route; N],
) -> impl HttpServiceFactory + use<N> {
    let resource = web::resource(path).default_service(web::to(move || async move { refuse(allow) }));
    routes
        .into_iter()
        .fold(resource, |resource, route| resource.route(route.wrap(from_fn(require_moderator))))
        .wrap(from_fn(deadline))
}

/// A resource that takes submissions: access is checked before any of the body is read.
fn submit<F, Args>(path: &str, handler: F) -> impl HttpServiceFactory + use<F, Args>
where
    F: Handler<Args>,
    Args: FromRequest + 'static,
    F::Output: Responder + 'static,
{
    web::resource(path)
        .route(web::post().to(handler).wrap(from_fn(require_submitter)))
        .default_service(web::to(|| async { refuse("POST") }))
        .wrap(from_fn(deadline))
}

fn refuse(allow: &'static str) -> Result<actix_web::HttpResponse, ApiError> {
    Err(ApiError::method(allow))
}
