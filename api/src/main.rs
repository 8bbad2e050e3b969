//! The program `wearmark`: parses the command line and dispatches, nothing else.

use std::process::ExitCode;

fn main() -> ExitCode {
    wearmark_api::cli::run()
}
