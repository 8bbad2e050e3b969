//! `wearmark pack`.

use std::io::Read;
use std::path::{Path, PathBuf};

use anyhow::Context;
use chrono::{DateTime, Utc};
use clap::Args;
use serde_json::{Map, Value};

use super::exit::{Ended, Failure, Outcome};
use super::output;
use crate::pack::capture::{self, Format, Unit};
use crate::pack::{Description, PackError, assemble, description};

/// The long help: what the two TOML files hold.
const FILES: &str = r#"The bench file (field names as in the published schema, `wearmark schema bench`):

  # bench.toml
  name = "workbench by the window"
  board = "one from the parts shelf"     # optional, in your words
  power_supply_w = 450                   # optional, its rating
  [cpu]
  model = "nembrook-treadle-40"          # catalogue id or name
  cores = 4                              # optional
  [memory]
  size_mib = 8192
  type = "DDR3"                          # SMBIOS spelling; optional, like the next two
  channels = 2
  speed_mts = 1600
  [os]
  name = "Sill"
  version = "12"
  [pcie]                                 # optional: the slot the card sits in
  generation = 3
  lanes = 16

The run file (`wearmark schema run`):

  # run.toml
  measured_at = 2026-05-01T18:30:00Z
  capture_tool = "a script of mine"      # optional
  [card]
  id = "draywick-kiln-ochre"                         # or name = "..."
  memory_mib = 2048                      # optional: what you read off the card
  [driver]
  vendor = "Draywick"
  version = "7.3"
  branch = "current"                     # optional
  [workload]
  title = "nine-weirs"
  [workload.scene]
  name = "river-survey"
  kind = "built-in-test"
  [settings]
  api = "Vulkan"
  preset = "Low"
  width = 1920
  height = 1080
  [[passes]]                             # optional, one for each file: readings of the pass
  telemetry = { card_temperature_c = 78, ambient_temperature_c = 25 }

A program that did not start is worth telling too: no files, and `outcome = "did-not-start"`.

Examples:
  wearmark pack pass-*.csv.gz --bench bench.toml --run run.toml -o run.json
  wearmark pack log.csv --column MsPerFrame --delimiter ';' --decimal-comma --bench bench.toml --run run.toml
  wearmark pack times.csv --unit timestamps-s --run run.toml --set bench.id=b-0123456789abcdef \
      --set settings.preset=Medium --set settings.width=1280 --set settings.height=720

Cautions: power off, unplug and wait before you swap a card; old cards and supplies can be hot or faulty, so stop
at smoke or smell; follow local electrical rules and leave mains work to qualified people."#;

/// Packs captures into a run.
#[derive(Debug, Args)]
#[command(
    long_about = "Packs frame-time captures (CSV, one file a pass, plain or gzip), a bench file and a run file into one \
                  run document that passes the published schema. Values keep every digit they are written with.",
    after_help = "Example:\n  wearmark pack pass-1.csv pass-2.csv pass-3.csv --bench bench.toml --run run.toml -o run.json\n\n\
                  --help shows what the two TOML files hold.",
    after_long_help = FILES
)]
pub struct Pack {
    /// Capture files, one a pass, in the order they were taken; `-` reads stdin
    #[arg(value_name = "CSV")]
    pub captures: Vec<PathBuf>,
    /// Column with the frame times, by name or by number from 1 [default: the only column, or frame_ms]
    #[arg(long, value_name = "NAME")]
    pub column: Option<String>,
    /// What the numbers are
    #[arg(long, value_enum, default_value = "ms")]
    pub unit: Unit,
    /// What separates fields: one character, or `tab`
    #[arg(long, value_name = "CHAR", default_value = ",", value_parser = delimiter)]
    pub delimiter: u8,
    /// Decimals are written with a comma (16,67)
    #[arg(long)]
    pub decimal_comma: bool,
    /// Lines to skip before the header
    #[arg(long, value_name = "N", default_value_t = 0)]
    pub skip_lines: usize,
    /// TOML file that describes the bench
    #[arg(long, value_name = "FILE")]
    pub bench: Option<PathBuf>,
    /// TOML file that describes the run: card, driver, workload, settings
    #[arg(long, value_name = "FILE")]
    pub run: Option<PathBuf>,
    /// Sets one field of the run, over what the run file says; may be repeated
    #[arg(long = "set", value_name = "PATH=VALUE")]
    pub sets: Vec<String>,
    /// When a pass began (RFC 3339); once for each pass, in order
    #[arg(long, value_name = "TIME")]
    pub started_at: Vec<DateTime<Utc>>,
    /// Where to write the run [default: stdout]
    #[arg(long, short, value_name = "FILE")]
    pub output: Option<PathBuf>,
    /// Replace the output file if it exists
    #[arg(long, requires = "output")]
    pub force: bool,
}

fn delimiter(text: &str) -> Result<u8, String> {
    match text.as_bytes() {
        [byte] if byte.is_ascii() && !matches!(byte, b'"' | b'\n' | b'\r') => Ok(*byte),
        _ if text == "tab" || text == "\\t" => Ok(b'\t'),
        _ => Err("give one character, or `tab`".to_owned()),
    }
}

impl Pack {
    /// Runs the command.
    ///
    /// # Errors
    /// Says which file, line or field is not as it should be.
    pub fn run(self) -> Ended {
        if let Some(output) = self.output.as_deref().filter(|o| o.exists() && !self.force) {
            return Err(Failure::broken(format!("{} exists; say --force to replace it", output.display())));
        }
        let format = Format {
            column: self.column.clone(),
            unit: self.unit,
            delimiter: self.delimiter,
            decimal_comma: self.decimal_comma,
            skip_lines: self.skip_lines,
        };
        if format.decimal_comma && format.delimiter == b',' {
            return Err(Failure::broken(
                "with --decimal-comma fields cannot be separated by a comma too; say --delimiter ';' or what it is",
            ));
        }
        let mut passes = Vec::with_capacity(self.captures.len());
        for path in &self.captures {
            let bytes = read_bytes(path)?;
            passes.push(capture::read(&path.display().to_string(), &bytes, &format).map_err(failure)?);
        }
        let mut run = match &self.run {
            Some(path) => toml_file(path)?,
            None => Map::new(),
        };
        let bench = self.bench.as_deref().map(toml_file).transpose()?;
        // The bench goes in first, so that a single field of it can be set too.
        let bench = match (bench, run.contains_key("bench")) {
            (Some(bench), false) => {
                run.insert("bench".to_owned(), Value::Object(bench));
                None
            }
            (bench, _) => bench,
        };
        for assignment in &self.sets {
            description::set(&mut run, assignment).map_err(failure)?;
        }
        let run = assemble(passes, Description { run, bench, started_at: self.started_at.clone() })
            .map_err(failure)?;
        let mut bytes = serde_json::to_vec(&run).context("the run cannot be written as JSON")?;
        bytes.push(b'\n');
        match &self.output {
            None => output::data(&bytes)?,
            Some(path) => {
                std::fs::write(path, &bytes).with_context(|| format!("cannot write {}", path.display()))?;
                let frames: usize =
                    run.passes.iter().filter_map(|p| p.frame_times_ms.as_ref()).map(Vec::len).sum();
                output::note(&format!("{}: {} passes, {frames} frames", path.display(), run.passes.len()));
            }
        }
        Ok(Outcome::Done)
    }
}

fn read_bytes(path: &Path) -> Result<Vec<u8>, Failure> {
    if path.as_os_str() == "-" {
        let mut bytes = Vec::new();
        std::io::stdin().lock().read_to_end(&mut bytes).context("cannot read stdin")?;
        return Ok(bytes);
    }
    Ok(std::fs::read(path).with_context(|| format!("cannot read {}", path.display()))?)
}

fn toml_file(path: &Path) -> Result<Map<String, Value>, Failure> {
    let text = std::fs::read_to_string(path).with_context(|| format!("cannot read {}", path.display()))?;
    description::from_toml(&path.display().to_string(), &text).map_err(failure)
}

/// A run that is off-schema is refused, like by the service; anything else is broken input.
fn failure(error: PackError) -> Failure {
    match error {
        PackError::OffSchema(findings) => {
            let mut message = error_line(findings.len());
            for finding in &findings {
                message.push('\n');
                message.push_str(&super::report::finding_line(finding));
            }
            Failure::Refused(message)
        }
        other => Failure::broken(other.to_string()),
    }
}

fn error_line(count: usize) -> String {
    match count {
        1 => "nothing written: the run does not pass the published schema".to_owned(),
        n => format!("nothing written: the run does not pass the published schema in {n} places"),
    }
}
