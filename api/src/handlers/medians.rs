//! The table of medians.

use actix_web::web::Data;
use actix_web::{HttpRequest, HttpResponse};
use utoipa::IntoParams;
use wearmark_core::policy::Policy;
use wearmark_core::run::LowDefinition;
use wearmark_core::table::frame::RunFrame;
use wearmark_core::table::medians::{MediansQuery, MediansSort, medians};

use super::filters::FilterParameters;
use crate::error::ApiError;
use crate::published::table::{self, Page};
use crate::query::Parameters;
use crate::state::State;
use crate::views::behind;
use crate::views::table::MediansPage;

/// Resolution, grouping and order of the medians.
#[derive(IntoParams)]
#[into_params(parameter_in = Query)]
#[expect(dead_code, reason = "only the derived description is used")]
pub(crate) struct MediansParameters {
    /// Width, pixels.
    #[param(minimum = 1, maximum = 65535)]
    width: Option<u32>,
    /// Height, pixels.
    #[param(minimum = 1, maximum = 65535)]
    height: Option<u32>,
    /// Definition of the 1% low shown: `percentile` (where not given), `tail-mean` or `time-share`.
    #[param(pattern = "^(percentile|tail-mean|time-share)$")]
    definition: Option<String>,
    /// Only rows with at least that many contributors.
    #[param(minimum = 0, maximum = 1000000)]
    min_contributors: Option<u32>,
    /// Keys beside the configuration: `driver`, `build`, `platform`.
    group: Option<Vec<String>>,
    /// Floor on the 1% low, fps, in place of 30 (single-player) and 60 (multiplayer).
    #[param(minimum = 1, maximum = 10000)]
    target: Option<f64>,
    /// Order of the rows: `key` (where not given), `mean-fps`, `low-fps`, `contributors`.
    #[param(pattern = "^(key|mean-fps|low-fps|contributors)$")]
    sort: Option<String>,
    /// Rows of a page, 1 to 10000; where not given 1000 as JSON and the whole table as CSV and Parquet.
    #[param(minimum = 1, maximum = 10000)]
    limit: Option<usize>,
    /// Cursor of the page, as the page before gave it. Pages show the table as it was at the first
    /// page; once the service has forgotten that, the answer is 410.
    #[param(min_length = 1, pattern = "^[0-9a-f]+$")]
    cursor: Option<String>,
    /// `json`, `csv` or `parquet`, in place of `Accept`.
    #[param(pattern = "^(json|csv|parquet)$")]
    format: Option<String>,
}

/// Keys beside the configuration.
#[derive(Clone, Copy, PartialEq)]
enum Group {
    Driver,
    Build,
    Platform,
}

const GROUPS: [(&str, Group); 3] =
    [("driver", Group::Driver), ("build", Group::Build), ("platform", Group::Platform)];

const SORTS: [(&str, MediansSort); 4] = [
    ("key", MediansSort::Key),
    ("mean-fps", MediansSort::MeanFps),
    ("low-fps", MediansSort::LowFps),
    ("contributors", MediansSort::Contributors),
];

impl MediansParameters {
    /// All parameters, filters aside.
    pub(crate) const NAMES: &'static [&'static str] = &[
        "width",
        "height",
        "definition",
        "min_contributors",
        "group",
        "target",
        "sort",
        "limit",
        "cursor",
        "format",
    ];

    fn read(read: &mut Parameters) -> MediansQuery {
        let group = read.choices("group", &GROUPS);
        MediansQuery {
            filters: FilterParameters::read(read),
            width: read.number("width", 1, 65535),
            height: read.number("height", 1, 65535),
            definition: read
                .choice("definition", &LowDefinition::ALL.map(|d| (d.as_str(), d)))
                .unwrap_or_default(),
            min_contributors: read.number("min_contributors", 0, 1_000_000).unwrap_or(0),
            by_driver: group.contains(&Group::Driver),
            by_build: group.contains(&Group::Build),
            by_platform: group.contains(&Group::Platform),
            target_fps: read.number("target", 1.0, 10_000.0),
            sort: read.choice("sort", &SORTS).unwrap_or_default(),
        }
    }
}

/// Medians per configuration: median of contributor medians, with interval, counts and spread.
#[utoipa::path(get, path = "/v1/medians", tag = "tables", params(FilterParameters, MediansParameters),
    responses((status = 200, description = "The rows", content(
            (MediansPage = "application/json"), (String = "text/csv"), (Vec<u8> = "application/vnd.apache.parquet"))),
        crate::openapi::Table))]
pub async fn list_medians(state: Data<State>, request: HttpRequest) -> Result<HttpResponse, ApiError> {
    let mut read =
        Parameters::read(request.query_string(), &FilterParameters::names_and(MediansParameters::NAMES));
    let query = MediansParameters::read(&mut read);
    let page = Page::read(read, &request)?;
    let definition = query.definition.as_str();
    let make = move |frame: &RunFrame, policy: &Policy| medians(frame, &query, policy);
    let envelope = move |revision, total, rows, next| MediansPage {
        revision,
        definition,
        total,
        runs_template: behind::OF_A_MEDIAN,
        rows,
        next,
    };
    table::answer(&state, &request, page, make, envelope).await
}
