//! The filters that tables share, as options.

use clap::{Args, ValueEnum};

/// Evidence grades.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub enum Evidence {
    /// Three or more passes of 60 s and 3000 frames each
    Full,
    /// Three or more passes, some shorter
    Short,
    /// One or two passes
    Quick,
    /// No frame times, only what another program said
    Summary,
}

/// Which runs a table takes.
#[derive(Debug, Default, Args)]
#[group(id = "filters", multiple = true)]
pub struct Filters {
    /// Card id
    #[arg(long)]
    pub card: Vec<String>,
    /// Chip id
    #[arg(long)]
    pub chip: Vec<String>,
    /// Workload id
    #[arg(long)]
    pub workload: Vec<String>,
    /// Scene id
    #[arg(long)]
    pub scene: Vec<String>,
    /// Preset
    #[arg(long)]
    pub preset: Vec<String>,
    /// Driver release id
    #[arg(long)]
    pub driver: Vec<String>,
    /// Driver branch
    #[arg(long)]
    pub branch: Vec<String>,
    /// Platform class
    #[arg(long)]
    pub platform: Vec<String>,
    /// Graphics API
    #[arg(long)]
    pub api: Vec<String>,
    /// Evidence grade [default: full and short]
    #[arg(long, value_enum, value_delimiter = ',')]
    pub evidence: Vec<Evidence>,
}

/// The word of an option's value, which is that of the query parameter.
pub fn word(value: &impl ValueEnum) -> String {
    value.to_possible_value().map(|v| v.get_name().to_owned()).unwrap_or_default()
}

impl Filters {
    /// The query parameters.
    pub fn query(&self) -> Vec<(&'static str, String)> {
        let lists = [
            ("card", &self.card),
            ("chip", &self.chip),
            ("workload", &self.workload),
            ("scene", &self.scene),
            ("preset", &self.preset),
            ("driver", &self.driver),
            ("branch", &self.branch),
            ("platform", &self.platform),
            ("api", &self.api),
        ];
        let mut query: Vec<(&'static str, String)> = Vec::new();
        for (name, values) in lists {
            query.extend(values.iter().map(|value| (name, value.clone())));
        }
        query.extend(self.evidence.iter().map(|value| ("evidence", word(value))));
        query
    }
}
