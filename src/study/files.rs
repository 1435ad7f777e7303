//! The files of a study: written under other names first, then swapped in as a whole.

use std::collections::BTreeSet;
use std::fs;
use std::path::{Path, PathBuf};

use super::result::StudyResult;
use crate::error::{ErrorKind, Result};

/// Names of the files of the last run, one a line.
const MANIFEST: &str = "manifest.txt";
const FIRST_LINE: &str = "surface-severity files/1";

/// Named files that belong together in one folder.
///
/// ```
/// use surface_severity::study::Files;
/// let folder = std::env::temp_dir().join("surface-severity-files-example");
/// # let _ = std::fs::remove_dir_all(&folder);
/// Files::new().with("severity.json", "{}").write(&folder, &[])?;
/// // The next run takes away what the last one wrote, and nothing else.
/// std::fs::write(folder.join("notes.txt"), "mine").unwrap();
/// Files::new().with("report.html", "<p>").write(&folder, &[])?;
/// assert!(!folder.join("severity.json").exists() && folder.join("notes.txt").exists());
/// // A file of somebody else is not overwritten.
/// assert!(Files::new().with("notes.txt", "theirs").write(&folder, &[]).is_err());
/// # std::fs::remove_dir_all(&folder).unwrap();
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Files {
    list: Vec<(String, Vec<u8>)>,
}

impl Files {
    /// None.
    ///
    /// ```
    /// assert_eq!(surface_severity::study::Files::new().names().count(), 0);
    /// ```
    #[must_use]
    pub fn new() -> Self {
        Self::default()
    }
    /// Adds a file, in place of one of the same name.
    #[must_use]
    pub fn with(mut self, name: impl Into<String>, content: impl Into<Vec<u8>>) -> Self {
        let name = name.into();
        self.list.retain(|(n, _)| *n != name);
        self.list.push((name, content.into()));
        self
    }
    /// The names, in the order they were added.
    pub fn names(&self) -> impl Iterator<Item = &str> {
        self.list.iter().map(|(n, _)| n.as_str())
    }
    /// The text of a file; `None` where there is no such file, or none of text.
    #[must_use]
    pub fn text(&self, name: &str) -> Option<&str> {
        std::str::from_utf8(&self.list.iter().find(|(n, _)| n == name)?.1).ok()
    }

    /// Writes all into `folder`, which is made where it is missing: under temporary names first, then swapped in. Files
    /// of the last run (its manifest lists them) are replaced or removed; others are never touched. On failure the folder
    /// holds what it held before.
    ///
    /// ```
    /// use surface_severity::study::Files;
    /// let folder = std::env::temp_dir().join("surface-severity-inputs-example");
    /// # let _ = std::fs::remove_dir_all(&folder);
    /// std::fs::create_dir_all(&folder).unwrap();
    /// let input = folder.join("severity.json");
    /// std::fs::write(&input, "the trial table, oddly named").unwrap();
    /// let error = Files::new().with("severity.json", "{}").write(&folder, &[input.as_path()]).unwrap_err();
    /// assert!(error.to_string().contains("input"));
    /// # std::fs::remove_dir_all(&folder).unwrap();
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    ///
    /// # Errors
    /// [`ErrorKind::InvalidOption`] where an output is one of the `inputs`, would overwrite a file that no study wrote, or
    /// has no plain name; [`ErrorKind::NotSaved`] where the operating system refuses.
    pub fn write(&self, folder: impl AsRef<Path>, inputs: &[&Path]) -> Result<()> {
        let folder = folder.as_ref();
        fs::create_dir_all(folder).map_err(|e| ErrorKind::not_saved(folder, &e))?;
        let last = manifest(folder);
        self.check(folder, inputs, &last)?;
        let mut manifest_text = format!("{FIRST_LINE}\n");
        for (name, _) in &self.list {
            manifest_text.push_str(&format!("{name}\n"));
        }
        let mut new: Vec<(&str, &[u8])> = self.list.iter().map(|(n, t)| (n.as_str(), t.as_slice())).collect();
        new.push((MANIFEST, manifest_text.as_bytes()));
        // An input in the folder stays, even where an earlier run wrote it.
        let stale: Vec<&str> = last
            .iter()
            .map(String::as_str)
            .filter(|n| !new.iter().any(|(m, _)| m == n) && !is_input(&folder.join(n), inputs))
            .collect();
        let mut swap = Swap { folder, prepared: Vec::new(), moved: Vec::new(), placed: Vec::new() };
        let done = swap.prepare(&new).and_then(|()| swap.place(&new, &stale));
        match done {
            Ok(()) => swap.commit(),
            Err(_) => swap.undo(),
        }
        done
    }

    fn check(&self, folder: &Path, inputs: &[&Path], last: &BTreeSet<String>) -> Result<()> {
        for (name, _) in &self.list {
            if !plain(name) || name == MANIFEST {
                return Err(ErrorKind::option("file", name, "a plain file name"));
            }
            let target = folder.join(name);
            if is_input(&target, inputs) {
                let expected = "another folder: this file is an input of the study, and inputs are never overwritten";
                return Err(ErrorKind::option("output", target.display(), expected));
            }
            if target.exists() && !last.contains(name) {
                let expected = "another folder, or this file moved away: no study wrote it, so it is not overwritten";
                return Err(ErrorKind::option("output", target.display(), expected));
            }
        }
        Ok(())
    }
}

/// A name without a folder in it that is not hidden.
fn plain(name: &str) -> bool {
    !name.is_empty() && !name.starts_with('.') && !name.contains(['/', '\\', '\n', '\r', '\0', ':'])
}

fn is_input(target: &Path, inputs: &[&Path]) -> bool {
    let same = |input: &&Path| match (fs::canonicalize(input), fs::canonicalize(target)) {
        (Ok(a), Ok(b)) => a == b,
        _ => **input == *target,
    };
    inputs.iter().any(same)
}

/// What the last run wrote into `folder`.
fn manifest(folder: &Path) -> BTreeSet<String> {
    let text = fs::read_to_string(folder.join(MANIFEST)).unwrap_or_default();
    let mut lines = text.lines();
    if lines.next() != Some(FIRST_LINE) {
        return BTreeSet::new();
    }
    lines.filter(|n| plain(n)).map(str::to_owned).collect()
}

struct Swap<'a> {
    folder: &'a Path,
    /// Temporary names there are.
    prepared: Vec<PathBuf>,
    /// Files moved aside: from, to.
    moved: Vec<(PathBuf, PathBuf)>,
    /// Files in place.
    placed: Vec<PathBuf>,
}

impl Swap<'_> {
    fn temporary(&self, name: &str) -> PathBuf {
        self.folder.join(format!(".{name}.new"))
    }

    fn prepare(&mut self, new: &[(&str, &[u8])]) -> Result<()> {
        for (name, content) in new {
            let path = self.temporary(name);
            self.prepared.push(path.clone());
            fs::write(&path, content).map_err(|e| ErrorKind::not_saved(&path, &e))?;
        }
        Ok(())
    }

    fn place(&mut self, new: &[(&str, &[u8])], stale: &[&str]) -> Result<()> {
        for name in new.iter().map(|(n, _)| *n).chain(stale.iter().copied()) {
            let target = self.folder.join(name);
            if target.exists() {
                let aside = self.folder.join(format!(".{name}.old"));
                fs::rename(&target, &aside).map_err(|e| ErrorKind::not_saved(&target, &e))?;
                self.moved.push((target, aside));
            }
        }
        for (name, _) in new {
            let target = self.folder.join(name);
            fs::rename(self.temporary(name), &target).map_err(|e| ErrorKind::not_saved(&target, &e))?;
            self.placed.push(target);
        }
        Ok(())
    }

    fn commit(&self) {
        for (_, aside) in &self.moved {
            // What can't be removed is out of sight; the results are in place.
            let _ = fs::remove_file(aside);
        }
    }

    fn undo(&self) {
        for path in self.placed.iter().chain(&self.prepared) {
            let _ = fs::remove_file(path);
        }
        for (target, aside) in &self.moved {
            let _ = fs::rename(aside, target);
        }
    }
}

impl StudyResult {
    /// The documents and tables of the study: severity.json, screening.json and, for each laboratory surface,
    /// equivalence.json, correction.json and corrected_reports.csv, numbered from the second surface on.
    ///
    /// ```
    /// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
    /// # let plan = surface_severity::severity::Severity::new("dense asphalt concrete");
    /// let files = surface_severity::study::Study::new(plan).run(&campaign, None)?.files()?;
    /// let names: Vec<&str> = files.names().collect();
    /// assert_eq!(names, ["severity.json", "screening.json", "equivalence.json", "correction.json"]);
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    ///
    /// # Errors
    /// [`ErrorKind::NotSaved`] should a result not be representable.
    pub fn files(&self) -> Result<Files> {
        let seed = Some(self.plan.seed);
        let mut files = Files::new().with("severity.json", self.severity.document(seed).to_json()?);
        if let Some(screening) = &self.screening {
            files = files.with("screening.json", screening.document().to_json()?);
        }
        for (i, belt) in self.belts.iter().enumerate() {
            if let Some(equivalence) = &belt.equivalence {
                files = files.with(numbered("equivalence.json", i), equivalence.document(seed).to_json()?);
            }
            if let Some(correction) = &belt.correction {
                files = files.with(numbered("correction.json", i), correction.to_json()?);
            }
            if let Some(correction) = belt.correction.as_ref().filter(|_| !belt.corrected.is_empty()) {
                files = files.with(numbered("corrected_reports.csv", i), correction.reports_csv(&belt.corrected)?);
            }
        }
        Ok(files)
    }
}

/// `correction.json` for the first surface, `correction-2.json` for the second.
pub(crate) fn numbered(name: &str, i: usize) -> String {
    match name.rsplit_once('.') {
        Some((stem, end)) if i > 0 => format!("{stem}-{}.{end}", i + 1),
        _ => name.to_owned(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn folder(name: &str) -> PathBuf {
        let folder = std::env::temp_dir().join(format!("surface-severity-{name}-{}", std::process::id()));
        let _ = fs::remove_dir_all(&folder);
        folder
    }

    fn read(folder: &Path, name: &str) -> String {
        fs::read_to_string(folder.join(name)).unwrap()
    }

    fn hidden(folder: &Path) -> usize {
        let names = fs::read_dir(folder).unwrap().map(|e| e.unwrap().file_name());
        names.filter(|n| n.to_string_lossy().starts_with('.')).count()
    }

    #[test]
    fn a_failure_leaves_the_old_results_whole() {
        let at = folder("whole");
        Files::new().with("a.json", "old a").with("b.json", "old b").write(&at, &[]).unwrap();
        // A folder in the way of a temporary name: the write fails half way.
        fs::create_dir_all(at.join(".b.json.new")).unwrap();
        let error = Files::new().with("a.json", "new a").with("b.json", "new b").write(&at, &[]).unwrap_err();
        assert!(matches!(error.kind(), ErrorKind::NotSaved { .. }));
        assert_eq!((read(&at, "a.json"), read(&at, "b.json")), ("old a".into(), "old b".into()));
        fs::remove_dir(at.join(".b.json.new")).unwrap();
        // A folder in the way of setting the old file aside: it fails in the swap.
        fs::create_dir_all(at.join(".b.json.old/x")).unwrap();
        Files::new().with("a.json", "new a").with("b.json", "new b").write(&at, &[]).unwrap_err();
        assert_eq!((read(&at, "a.json"), read(&at, "b.json")), ("old a".into(), "old b".into()));
        fs::remove_dir_all(at.join(".b.json.old")).unwrap();
        assert_eq!(hidden(&at), 0, "nothing is left over");
        Files::new().with("a.json", "new a").write(&at, &[]).unwrap();
        assert_eq!(read(&at, "a.json"), "new a");
        assert!(!at.join("b.json").exists());
        fs::remove_dir_all(at).unwrap();
    }

    #[test]
    fn names_with_folders_and_hidden_ones_are_refused() {
        let at = folder("names");
        for name in ["", "../a", "a/b", ".a", "manifest.txt", "a\nb"] {
            assert!(Files::new().with(name, "x").write(&at, &[]).is_err(), "{name:?}");
        }
        // Nor does a manifest reach out of its folder.
        fs::write(at.join("manifest.txt"), format!("{FIRST_LINE}\n../kept\n")).unwrap();
        let kept = at.parent().unwrap().join("kept");
        fs::write(&kept, "kept").unwrap();
        Files::new().with("a", "x").write(&at, &[]).unwrap();
        assert!(kept.exists());
        fs::remove_file(kept).unwrap();
        fs::remove_dir_all(at).unwrap();
    }

    #[test]
    fn an_input_that_an_earlier_run_wrote_stays() {
        let at = folder("input");
        Files::new().with("correction.json", "c").write(&at, &[]).unwrap();
        let input = at.join("correction.json");
        Files::new().with("report.html", "r").write(&at, &[input.as_path()]).unwrap();
        assert!(input.exists() && at.join("report.html").exists());
        assert!(Files::new().with("correction.json", "d").write(&at, &[input.as_path()]).is_err());
        fs::remove_dir_all(at).unwrap();
    }
}
