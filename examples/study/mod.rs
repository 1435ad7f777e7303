//! What the examples share: exit codes and progress; the command line of the severity study.
#![allow(dead_code, reason = "each example uses its part")]

pub(crate) mod options;

use std::fmt;
use std::ops::ControlFlow;
use std::path::Path;
use std::process::ExitCode;

use indicatif::{ProgressBar, ProgressStyle};
use surface_severity::Error;

/// Why an example ends early.
#[derive(Debug)]
pub(crate) enum Failure {
    /// A wrong command line or table.
    Usage(String),
    /// An error of the library.
    Library(Error),
    /// The operating system refused.
    Io(String),
}

impl Failure {
    pub(crate) fn io(path: &Path, error: &std::io::Error) -> Self {
        Self::Io(format!("{}: {error}", path.display()))
    }
}

impl From<Error> for Failure {
    fn from(error: Error) -> Self {
        Self::Library(error)
    }
}

impl fmt::Display for Failure {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Usage(text) | Self::Io(text) => f.write_str(text),
            Self::Library(error) => error.fmt(f),
        }
    }
}

/// 0 on success, 2 on bad input, 1 otherwise; the reason goes to standard error.
pub(crate) fn exit_code(result: Result<(), Failure>) -> ExitCode {
    match result {
        Ok(()) => ExitCode::SUCCESS,
        Err(failure) => {
            eprintln!("error: {failure}");
            match failure {
                Failure::Usage(_) => ExitCode::from(2),
                Failure::Library(error) if error.is_input() => ExitCode::from(2),
                Failure::Library(_) | Failure::Io(_) => ExitCode::from(1),
            }
        }
    }
}

/// A bar on standard error, drawn only on a terminal.
#[derive(Debug)]
pub(crate) struct Progress {
    bar: ProgressBar,
}

impl Progress {
    pub(crate) fn new(what: &'static str) -> Self {
        let bar = ProgressBar::new(0).with_message(what);
        if let Ok(style) = ProgressStyle::with_template("{msg} {bar:40} {pos}/{len} {eta}") {
            bar.set_style(style);
        }
        Self { bar }
    }

    /// For stages whose length nobody knows.
    pub(crate) fn of_stages() -> Self {
        let bar = ProgressBar::new_spinner();
        bar.enable_steady_tick(std::time::Duration::from_millis(120));
        Self { bar }
    }

    pub(crate) fn stage(&self, what: &str) {
        self.bar.set_message(what.to_owned());
    }

    pub(crate) fn finish(&self) {
        self.bar.finish_and_clear();
    }

    pub(crate) fn at(&mut self, done: usize, total: usize) -> ControlFlow<()> {
        self.bar.set_length(total as u64);
        self.bar.set_position(done as u64);
        if done == total {
            self.bar.finish_and_clear();
        }
        ControlFlow::Continue(())
    }
}
