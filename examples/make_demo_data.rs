//! Makes the invented campaign of `data-demo/` anew and compares it with the files there.
//!
//!     cargo run --release --example make_demo_data                    compare with data-demo/
//!     cargo run --release --example make_demo_data -- --out DIR       write the five files to DIR
//!
//! Exit 0 when all is equal or written, 1 when a file differs or cannot be read or written,
//! 2 when the arguments are wrong. The scenario and its truth stand in `demo/mod.rs`.

mod demo;

use std::error::Error;
use std::path::{Path, PathBuf};
use std::process::ExitCode;

const USAGE: &str = "usage: make_demo_data [--check | --out DIR]";

fn main() -> ExitCode {
    let arguments: Vec<_> = std::env::args_os().skip(1).collect();
    let arguments: Vec<_> = arguments.iter().map(|a| a.to_str().unwrap_or_default()).collect();
    let done = match arguments[..] {
        [] | ["--check"] => check(&Path::new(env!("CARGO_MANIFEST_DIR")).join("data-demo")),
        ["--out", folder] if !folder.is_empty() => write(&PathBuf::from(folder)),
        ["--help"] => {
            println!("{USAGE}");
            return ExitCode::SUCCESS;
        }
        _ => {
            eprintln!("{USAGE}");
            return ExitCode::from(2);
        }
    };
    match done {
        Ok(()) => ExitCode::SUCCESS,
        Err(error) => {
            eprintln!("{error}");
            ExitCode::FAILURE
        }
    }
}

fn check(folder: &Path) -> Result<(), Box<dyn Error>> {
    let mut differing = Vec::new();
    for (name, text) in demo::generate()? {
        let path = folder.join(name);
        let there = std::fs::read_to_string(&path).map_err(|e| format!("{}: {e}", path.display()))?;
        let equal = there == text;
        println!("{name:16} {:4} lines  {}", text.lines().count(), if equal { "as generated" } else { "differs" });
        if !equal {
            let line = there.lines().zip(text.lines()).take_while(|(a, b)| a == b).count() + 1;
            differing.push(format!("{}: line {line} is not what the generator writes", path.display()));
        }
    }
    if differing.is_empty() { Ok(()) } else { Err(differing.join("\n").into()) }
}

fn write(folder: &Path) -> Result<(), Box<dyn Error>> {
    std::fs::create_dir_all(folder).map_err(|e| format!("{}: {e}", folder.display()))?;
    for (name, text) in demo::generate()? {
        let path = folder.join(name);
        std::fs::write(&path, text).map_err(|e| format!("{}: {e}", path.display()))?;
        println!("{}", path.display());
    }
    Ok(())
}
