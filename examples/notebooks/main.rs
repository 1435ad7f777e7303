//! The notebooks of this folder, from the programs beside them.
//!
//! ```text
//! cargo run --release --example notebooks             # runs all, compares with the .ipynb files, fails on a difference
//! cargo run --release --example notebooks -- write    # writes the .ipynb files
//! cargo run --release --example notebooks -- run NAME # prints what one notebook shows
//! ```
//! A notebook is a Rust source in cells (`// %%`, text after `// %% [markdown]`). Its cells are compiled and
//! run here as one program, and what each displays becomes its output: the outputs in the .ipynb files are
//! those of this program, not of a notebook kernel. In a kernel for Rust (evcxr) the cells run as they are.
#![allow(clippy::items_after_statements, reason = "imports stand in the cell that needs them first")]

mod lab_correction;
mod planning;
mod reading_results;
mod severity_study;

use std::io::Write;
use std::path::Path;
use std::process::{Command, ExitCode};

use serde_json::{Value, json};

type Run = fn() -> Result<(), surface_severity::Error>;

const NOTEBOOKS: [(&str, &str, Run); 4] = [
    ("severity_study", include_str!("severity_study.rs"), severity_study::run),
    ("lab_correction", include_str!("lab_correction.rs"), lab_correction::run),
    ("planning", include_str!("planning.rs"), planning::run),
    ("reading_results", include_str!("reading_results.rs"), reading_results::run),
];

const END_OF_CELL: &str = "EVCXR_EXAMPLE_END_OF_CELL";

/// Ends the output of a cell; not part of the notebook.
fn cell() {
    println!("{END_OF_CELL}");
}

fn main() -> ExitCode {
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    let result = match arguments.iter().map(String::as_str).collect::<Vec<_>>().as_slice() {
        ["run", name] => run(name),
        ["write"] => all(true),
        [] => all(false),
        _ => Err("usage: notebooks [write | run NAME]".into()),
    };
    match result {
        Ok(()) => ExitCode::SUCCESS,
        Err(error) => {
            eprintln!("error: {error}");
            ExitCode::from(1)
        }
    }
}

type Failure = Box<dyn std::error::Error>;

fn folder() -> &'static Path {
    Path::new(concat!(env!("CARGO_MANIFEST_DIR"), "/examples/notebooks"))
}

fn run(name: &str) -> Result<(), Failure> {
    let (.., run) = NOTEBOOKS.iter().find(|n| n.0 == name).ok_or("no such notebook")?;
    std::env::set_current_dir(folder())?;
    run()?;
    Ok(())
}

fn all(write: bool) -> Result<(), Failure> {
    let mut differing = Vec::new();
    for (name, source, _) in NOTEBOOKS {
        // A process of its own, so that its output can be taken.
        let output = Command::new(std::env::current_exe()?).args(["run", name]).output()?;
        if !output.status.success() {
            return Err(format!("{name}: {}", String::from_utf8_lossy(&output.stderr)).into());
        }
        let mut text = serde_json::to_string_pretty(&notebook(source, &String::from_utf8(output.stdout)?)?)?;
        text.push('\n');
        let path = folder().join(format!("{name}.ipynb"));
        let shown = text.matches("\"text/html\"").count();
        if write {
            std::fs::File::create(&path)?.write_all(text.as_bytes())?;
        } else if std::fs::read_to_string(&path).unwrap_or_default() != text {
            differing.push(name);
        }
        println!("{name}: {shown} displays, {} kB", text.len() / 1000);
        assert!(shown > 0, "{name} shows nothing");
    }
    if differing.is_empty() {
        return Ok(());
    }
    Err(format!(
        "results changed in {}; look at the difference, then: cargo run --release --example notebooks -- write",
        differing.join(", ")
    )
    .into())
}

/// The notebook (nbformat 4.5) of a source and of what it printed.
fn notebook(source: &str, printed: &str) -> Result<Value, Failure> {
    let title: Vec<&str> = source.lines().map_while(|l| l.strip_prefix("//!")).map(str::trim_start).collect();
    let note = "Outputs were made by running these cells as one compiled program (`cargo run --release --example notebooks -- \
                write`), not in a notebook kernel.";
    let mut cells = vec![markdown(0, &format!("{}\n\n*{note}*", title.join("\n")))];
    cells.push(code(1, ":dep surface-severity = { path = \"../..\" }", &[]));
    let body = source.split_once("    // %%").ok_or("no cells")?.1;
    let mut outputs = printed.split(END_OF_CELL);
    for part in body.split("    // %%") {
        let part = part.trim_end_matches("    Ok(())\n}\n");
        let lines: Vec<&str> = part.lines().collect();
        let id = cells.len();
        if lines.first().is_some_and(|l| l.contains("[markdown]")) {
            let text: Vec<&str> = lines[1..].iter().map(|l| l.trim().trim_start_matches("//").trim()).collect();
            cells.push(markdown(id, text.join("\n").trim()));
            continue;
        }
        let text: Vec<&str> = lines
            .iter()
            .map(|l| l.strip_prefix("    ").unwrap_or(l))
            .filter(|l| !l.trim_start().starts_with("cell();"))
            .collect();
        cells.push(code(id, text.join("\n").trim(), &displays(outputs.next().ok_or("fewer outputs than cells")?)));
    }
    Ok(json!({
        "cells": cells,
        "metadata": {
            "kernelspec": { "display_name": "Rust", "language": "rust", "name": "rust" },
            "language_info": { "file_extension": ".rs", "mimetype": "text/rust", "name": "Rust" }
        },
        "nbformat": 4,
        "nbformat_minor": 5
    }))
}

fn markdown(id: usize, text: &str) -> Value {
    json!({ "cell_type": "markdown", "id": format!("cell-{id}"), "metadata": {}, "source": lines(text) })
}

fn code(id: usize, text: &str, outputs: &[Value]) -> Value {
    json!({
        "cell_type": "code", "execution_count": null, "id": format!("cell-{id}"), "metadata": {},
        "outputs": outputs, "source": lines(text)
    })
}

/// Lines with their ends, as the format keeps them.
fn lines(text: &str) -> Vec<&str> {
    text.split_inclusive('\n').collect()
}

/// What a cell printed: display blocks and plain text between them.
fn displays(printed: &str) -> Vec<Value> {
    let mut outputs = Vec::new();
    let plain = |text: &str, outputs: &mut Vec<Value>| {
        if !text.trim().is_empty() {
            outputs.push(
                json!({ "name": "stdout", "output_type": "stream", "text": lines(text.trim_start_matches('\n')) }),
            );
        }
    };
    let mut rest = printed;
    while let Some((before, after)) = rest.split_once("EVCXR_BEGIN_CONTENT text/html\n") {
        plain(before, &mut outputs);
        let (html, after) = after.split_once("\nEVCXR_END_CONTENT\n").unwrap_or((after, ""));
        outputs.push(json!({ "data": { "text/html": lines(html) }, "metadata": {}, "output_type": "display_data" }));
        rest = after;
    }
    plain(rest, &mut outputs);
    outputs
}
