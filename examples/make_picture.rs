//! The picture of README.md: the severity ladder of the demo campaign.
//!
//! ```text
//! cargo run --release --example make_picture                     # compares with data-demo/picture.svg
//! cargo run --release --example make_picture -- --out FILE       # writes it
//! ```
//! Exit code 0 on success, 1 where the committed picture differs or a file cannot be read or written.

use std::path::{Path, PathBuf};
use std::process::ExitCode;

use surface_severity::Result;
use surface_severity::campaign::Campaign;
use surface_severity::report::{PlotOptions, plots};
use surface_severity::severity::Severity;

fn picture(folder: &Path) -> Result<String> {
    let campaign = Campaign::read_path(folder.join("trials.csv"))?;
    let fit = Severity::new("dense asphalt concrete").fit(&campaign)?;
    Ok(plots::severity_ladder(&fit, &PlotOptions::new())?.to_svg().to_owned())
}

fn main() -> ExitCode {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("data-demo");
    let svg = match picture(&folder) {
        Ok(svg) => svg,
        Err(error) => {
            eprintln!("{error}");
            return ExitCode::FAILURE;
        }
    };
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    match arguments.as_slice() {
        [] => match std::fs::read_to_string(folder.join("picture.svg")) {
            Ok(committed) if committed == svg => {
                println!("data-demo/picture.svg is what the demo campaign gives");
                ExitCode::SUCCESS
            }
            Ok(_) => {
                eprintln!("data-demo/picture.svg differs; write it again with -- --out data-demo/picture.svg");
                ExitCode::FAILURE
            }
            Err(error) => {
                eprintln!("data-demo/picture.svg: {error}");
                ExitCode::FAILURE
            }
        },
        [flag, path] if flag == "--out" => match std::fs::write(PathBuf::from(path), svg) {
            Ok(()) => {
                println!("{path}");
                ExitCode::SUCCESS
            }
            Err(error) => {
                eprintln!("{path}: {error}");
                ExitCode::FAILURE
            }
        },
        _ => {
            eprintln!("usage: make_picture [--out FILE]");
            ExitCode::FAILURE
        }
    }
}
