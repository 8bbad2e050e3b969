//! The filters that tables share.

use utoipa::IntoParams;
use wearmark_core::statistics::Grade;
use wearmark_core::table::filters::Filters;

use crate::query::Parameters;

/// Filters of a table. Lists may be repeated or joined by commas.
#[derive(IntoParams)]
#[into_params(parameter_in = Query)]
#[expect(dead_code, reason = "only the derived description is used")]
pub(crate) struct FilterParameters {
    /// Card ids.
    card: Option<Vec<String>>,
    /// Chip ids.
    chip: Option<Vec<String>>,
    /// Workload ids.
    workload: Option<Vec<String>>,
    /// Scene ids.
    scene: Option<Vec<String>>,
    /// Presets.
    preset: Option<Vec<String>>,
    /// Driver release ids.
    driver: Option<Vec<String>>,
    /// Driver branches.
    branch: Option<Vec<String>>,
    /// Platform classes.
    platform: Option<Vec<String>>,
    /// Graphics APIs.
    api: Option<Vec<String>>,
    /// Evidence grades taken: `full`, `short`, `quick`, `summary`; `full` and `short` where not given.
    evidence: Option<Vec<String>>,
}

const GRADES: [Grade; 4] = [Grade::Full, Grade::Short, Grade::Quick, Grade::Summary];

impl FilterParameters {
    /// Their names.
    pub(crate) const NAMES: [&'static str; 10] =
        ["card", "chip", "workload", "scene", "preset", "driver", "branch", "platform", "api", "evidence"];

    /// These and a table's own.
    pub(crate) fn names_and(own: &[&'static str]) -> Vec<&'static str> {
        Self::NAMES.iter().chain(own).copied().collect()
    }

    pub(super) fn read(read: &mut Parameters) -> Filters {
        Filters {
            card: read.list("card"),
            chip: read.list("chip"),
            workload: read.list("workload"),
            scene: read.list("scene"),
            preset: read.list("preset"),
            driver: read.list("driver"),
            branch: read.list("branch"),
            platform: read.list("platform"),
            api: read.list("api"),
            evidence: read.choices("evidence", &GRADES.map(|g| (g.as_str(), g))),
        }
    }
}
