//! Reading trials.csv.

use std::collections::BTreeMap;
use std::io::Read;
use std::path::Path;

use csv::ByteRecord;

use super::check::{Draft, Problems, Wishes, assemble, refuse_covariate_name};
use super::column::{Column, excerpt, resemble};
use super::number::{decimal, layers};
use super::outcome::{Outcome, SurfaceRole};
use super::quote::{QuoteFault, ends_line, tidy};
use super::table::Campaign;
use super::trial::Trial;
use crate::error::{ErrorKind, Result};

/// Reads trials.csv, with options.
///
/// | option | default | meaning |
/// |---|---|---|
/// | [`laboratory_surface`](Self::laboratory_surface) | none | names a laboratory surface; repeatable |
/// | [`problem_limit`](Self::problem_limit) | 50 | how many problems an error lists |
///
/// ```
/// use surface_severity::campaign::CampaignReader;
/// let table = "\
/// trial_id,surface,material,abrasion_time_s,outcome
/// T1,asphalt,cowhide,4.12,perforated
/// T2,belt,cowhide,3.05,perforated
/// ";
/// let campaign = CampaignReader::new().laboratory_surface("belt").from_reader(table.as_bytes(), "trials.csv")?;
/// assert_eq!(campaign.to_string(), "2 trials of 1 material on 2 surfaces (1 laboratory, 1 road)");
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct CampaignReader {
    wishes: Wishes,
}

impl CampaignReader {
    /// A reader with the default options.
    ///
    /// ```
    /// use surface_severity::campaign::CampaignReader;
    /// let campaign = CampaignReader::new().read_path("data-demo/trials.csv")?;
    /// assert_eq!(campaign.laboratory_surfaces(), ["laboratory belt"]);
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    #[must_use]
    pub fn new() -> Self {
        Self::default()
    }

    /// Names a laboratory surface; repeatable. Every other surface without a role becomes a road.
    ///
    /// A `surface_role` column that calls it a road is an error, and so is a name that no trial has.
    #[must_use]
    pub fn laboratory_surface(mut self, name: impl Into<String>) -> Self {
        self.wishes.laboratory_surfaces.push(name.into());
        self
    }

    /// How many problems an error lists; at least 1, 50 unless set. All are counted.
    #[must_use]
    pub fn problem_limit(mut self, limit: usize) -> Self {
        self.wishes.problem_limit = limit;
        self
    }

    /// Reads the table at `path`, which errors will call it.
    ///
    /// ```
    /// use surface_severity::{ErrorKind, campaign::CampaignReader};
    /// let campaign = CampaignReader::new().laboratory_surface("laboratory belt").read_path("data-demo/trials.csv")?;
    /// assert_eq!(campaign.len(), 403);
    /// let error = CampaignReader::new().read_path("no/such/trials.csv").unwrap_err();
    /// assert!(matches!(error.kind(), ErrorKind::Io { path, .. } if path == "no/such/trials.csv"));
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    ///
    /// # Errors
    /// [`ErrorKind::Io`] where the file cannot be read, else as [`from_reader`](Self::from_reader).
    pub fn read_path(&self, path: impl AsRef<Path>) -> Result<Campaign> {
        let path = path.as_ref();
        let bytes = std::fs::read(path).map_err(|error| ErrorKind::io(path, &error))?;
        self.read_bytes(&bytes, &path.display().to_string())
    }

    /// Reads the table from anything that can be read; `file_name` is what errors call it.
    ///
    /// ```
    /// use surface_severity::{ErrorKind, campaign::CampaignReader};
    /// let table = "trial_id,surface,material,abrasion_time_s,outcome\nT1,asphalt,cowhide,\"4,12\",perforated\n";
    /// let error = CampaignReader::new().from_reader(table.as_bytes(), "trials.csv").unwrap_err();
    /// let ErrorKind::Table { problems, .. } = error.kind() else { unreachable!() };
    /// assert_eq!((problems[0].line, problems[0].column.as_str(), problems[0].text.as_str()), (2, "abrasion_time_s", "4,12"));
    /// ```
    ///
    /// # Errors
    /// [`ErrorKind::Table`] with all problems in the order of the rows (a bad header stops there,
    /// since the rows could not be told apart); [`ErrorKind::EmptyTable`] without a header or
    /// without trials; [`ErrorKind::UnknownSurface`] for a named laboratory surface that no trial
    /// has; [`ErrorKind::InvalidOption`] for a zero problem limit; [`ErrorKind::Io`] where the
    /// reader fails.
    pub fn from_reader(&self, mut reader: impl Read, file_name: &str) -> Result<Campaign> {
        let mut bytes = Vec::new();
        reader.read_to_end(&mut bytes).map_err(|error| ErrorKind::io(file_name, &error))?;
        self.read_bytes(&bytes, file_name)
    }

    fn read_bytes(&self, bytes: &[u8], file: &str) -> Result<Campaign> {
        self.wishes.check()?;
        let mut problems = Problems::new(file);
        let limit = self.wishes.problem_limit;
        if let Some((found, expected)) = not_text(bytes) {
            problems.row(1, found, expected);
            return Err(problems.into_error(limit));
        }
        let bytes = bytes.strip_prefix(b"\xef\xbb\xbf").unwrap_or(bytes);
        let (bytes, fault) = tidy(bytes);
        let mut rows = Rows::new(&bytes[..fault.as_ref().map_or(bytes.len(), |f| f.row_start)]);

        let Some(header_line) = rows.next() else {
            if let Some(fault) = fault {
                report(&fault, None, &mut problems);
                return Err(problems.into_error(limit));
            }
            let reason = "the file is empty; expected a header row such as trial_id,surface,material,abrasion_time_s,outcome and a row for each trial";
            return Err(ErrorKind::EmptyTable { file: file.into(), reason: reason.into() }.into());
        };
        let Some(header) = Header::read(header_line, &rows.record, &mut problems) else {
            return Err(problems.into_error(limit));
        };
        let mut drafts = Vec::new();
        while let Some(line) = rows.next() {
            drafts.extend(header.draft(line, &rows.record, &mut problems));
        }
        if let Some(fault) = fault {
            report(&fault, Some(&header), &mut problems);
        }
        if drafts.is_empty() && problems.is_empty() {
            let reason = format!("there are no trials under the header on line {header_line}");
            return Err(ErrorKind::EmptyTable { file: problems.file().into(), reason }.into());
        }
        assemble(drafts, problems, &self.wishes)
    }

    /// Rows that are already taken apart, first the names of the columns: by the same rules as a file, rows counted from 1.
    #[cfg(feature = "arrow")]
    pub(super) fn read_records(
        &self,
        names: &ByteRecord,
        rows: impl Iterator<Item = ByteRecord>,
        mut problems: Problems,
    ) -> Result<Campaign> {
        self.wishes.check()?;
        let header = if problems.is_empty() { Header::read(1, names, &mut problems) } else { None };
        let Some(header) = header else {
            return Err(problems.into_error(self.wishes.problem_limit));
        };
        let drafts: Vec<Draft> =
            (1..).zip(rows).filter_map(|(line, row)| header.draft(line, &row, &mut problems)).collect();
        assemble(drafts, problems, &self.wishes)
    }
}

fn report(fault: &QuoteFault, header: Option<&Header>, problems: &mut Problems) {
    match header.and_then(|h| h.names.get(fault.field)) {
        Some(name) => problems.covariate(fault.line, name, &fault.text, fault.expected.as_str()),
        None => problems.row(fault.line, &fault.text, fault.expected.as_str()),
    }
}

/// What a file is that is not text at all, and what to do about it.
fn not_text(bytes: &[u8]) -> Option<(&'static str, &'static str)> {
    match bytes {
        [0xff, 0xfe, ..] | [0xfe, 0xff, ..] => {
            Some(("UTF-16 text", "UTF-8 text; save the table as comma-separated values in UTF-8"))
        }
        [b'P', b'K', 3, 4, ..] | [0xd0, 0xcf, 0x11, 0xe0, ..] => Some((
            "a spreadsheet workbook or archive",
            "comma-separated text; save the sheet as comma-separated values in UTF-8",
        )),
        [0x1f, 0x8b, ..] => Some(("compressed data", "comma-separated text; unpack the file first")),
        _ => None,
    }
}

/// The rows that are not blank, each with the line it starts on.
struct Rows<'b> {
    bytes: &'b [u8],
    csv: csv::Reader<&'b [u8]>,
    record: ByteRecord,
    /// `line` is the line of `offset`.
    offset: usize,
    line: u64,
}

impl<'b> Rows<'b> {
    fn new(bytes: &'b [u8]) -> Self {
        let csv = csv::ReaderBuilder::new().has_headers(false).flexible(true).from_reader(bytes);
        Self { bytes, csv, record: ByteRecord::new(), offset: 0, line: 1 }
    }

    /// Advances to the next row. Reading from memory cannot fail, so an error is the end.
    fn next(&mut self) -> Option<u64> {
        while self.csv.read_byte_record(&mut self.record).unwrap_or(false) {
            let line = self.line_of_record();
            let blank = self.record.len() == 1 && self.record.iter().all(|field| field.trim_ascii().is_empty());
            if !blank {
                return Some(line);
            }
        }
        None
    }

    /// The parser counts `\n` only and gives the place before any blank lines; so count here.
    fn line_of_record(&mut self) -> u64 {
        let given = self.record.position().map_or(0, csv::Position::byte);
        let mut start = usize::try_from(given).unwrap_or(usize::MAX).min(self.bytes.len());
        while matches!(self.bytes.get(start), Some(b'\r' | b'\n')) {
            start += 1;
        }
        while self.offset < start {
            self.line += u64::from(ends_line(self.bytes, self.offset));
            self.offset += 1;
        }
        self.line
    }
}

enum Kind {
    Known(Column),
    Covariate,
}

struct Header {
    names: Vec<String>,
    kinds: Vec<Kind>,
    outcome: usize,
}

impl Header {
    /// The header, or nothing after reporting what is wrong with it.
    fn read(line: u64, record: &ByteRecord, problems: &mut Problems) -> Option<Self> {
        let mut names: Vec<String> = Vec::with_capacity(record.len());
        let mut kinds = Vec::with_capacity(record.len());
        if let [only] = record.iter().collect::<Vec<_>>()[..] {
            let text = String::from_utf8_lossy(only);
            for (separator, called) in [(';', "semicolons"), ('\t', "tabs"), ('|', "bars")] {
                if text.contains(separator) {
                    let expected =
                        format!("columns separated by commas, not {called}; numbers then need a decimal point");
                    problems.header(line, "", excerpt(text.trim()), expected);
                    return None;
                }
            }
        }
        let mut first_places: BTreeMap<&str, usize> = BTreeMap::new();
        for (i, field) in record.iter().enumerate() {
            let Ok(name) = std::str::from_utf8(field) else {
                let text = String::from_utf8_lossy(field);
                problems.header(line, &format!("{}", i + 1), excerpt(text.trim()), NOT_UTF8);
                names.push(text.trim().into());
                kinds.push(Kind::Covariate);
                continue;
            };
            let name = name.trim();
            if name.is_empty() {
                // Reported below.
            } else if let Some(first) = first_places.get(name) {
                let expected = format!("different column names; columns {} and {} have the same one", first + 1, i + 1);
                problems.header(line, &excerpt(name), excerpt(name), expected);
            } else {
                first_places.insert(name, i);
            }
            names.push(name.into());
            kinds.push(Column::from_name(name).map_or(Kind::Covariate, Kind::Known));
        }
        let missing: Vec<Column> = Column::ALL[..Column::REQUIRED]
            .iter()
            .copied()
            .filter(|column| !names.iter().any(|name| name == column.name()))
            .collect();
        for (i, name) in names.iter().enumerate() {
            let resembled = Column::resembling(name).filter(|c| missing.contains(c));
            if matches!(kinds[i], Kind::Covariate)
                && resembled.is_none()
                && let Some(expected) = refuse_covariate_name(name)
            {
                let place = if name.is_empty() { format!("{}", i + 1) } else { excerpt(name) };
                let expected =
                    if name.is_empty() { format!("{expected} (or no column: remove its comma)") } else { expected };
                problems.header(line, &place, excerpt(name), expected);
            }
        }
        let found = names.iter().map(|name| excerpt(name)).collect::<Vec<_>>().join(", ");
        for column in missing {
            let mut expected = "a column of this name in the header".to_string();
            if let Some(name) = names.iter().find(|name| resemble(name, column.name())) {
                expected = format!("{expected}; rename {name:?} to {}", column.name());
            }
            problems.header(line, column.name(), excerpt_list(&found), expected);
        }
        let outcome = names.iter().position(|name| name == Column::Outcome.name())?;
        problems.is_empty().then_some(Self { names, kinds, outcome })
    }

    /// The trial of one row, as far as it can be read; nothing where the row has no usable shape.
    fn draft(&self, line: u64, record: &ByteRecord, problems: &mut Problems) -> Option<Draft> {
        let whole = || {
            let fields: Vec<_> = record.iter().map(|f| String::from_utf8_lossy(f).trim().to_string()).collect();
            fields.join(",")
        };
        if record.iter().all(|field| field.trim_ascii().is_empty()) {
            problems.row(line, &whole(), "a trial; delete this row of empty fields");
            return None;
        }
        if record.len() != self.names.len() {
            problems.row(line, &whole(), self.refuse_shape(record));
            return None;
        }
        if record.iter().zip(&self.names).all(|(field, name)| field.trim_ascii() == name.as_bytes()) {
            problems.row(line, &whole(), "a trial; this row repeats the header");
            return None;
        }
        let outcome = std::str::from_utf8(&record[self.outcome]).ok().and_then(|text| text.trim().parse().ok());
        let trial = Trial::new("", "", "", outcome.unwrap_or(Outcome::Void));
        let mut draft = Draft { line, trial, refused: 0 };
        for ((kind, name), field) in self.kinds.iter().zip(&self.names).zip(record) {
            let Ok(text) = std::str::from_utf8(field) else {
                let text = String::from_utf8_lossy(field);
                match kind {
                    Kind::Known(column) => {
                        problems.field(line, *column, text.trim(), NOT_UTF8);
                        draft.refused |= column.bit();
                    }
                    Kind::Covariate => problems.covariate(line, name, text.trim(), NOT_UTF8),
                }
                continue;
            };
            let text = text.trim();
            match kind {
                Kind::Covariate if text.is_empty() => {}
                Kind::Covariate => {
                    draft.trial.covariates.insert(name.clone(), text.into());
                }
                Kind::Known(column) => {
                    if let Err(expected) = set(*column, text, outcome, &mut draft.trial) {
                        problems.field(line, *column, text, expected);
                        draft.refused |= column.bit();
                    }
                }
            }
        }
        Some(draft)
    }

    /// What was expected of a row with too many or too few fields.
    fn refuse_shape(&self, record: &ByteRecord) -> String {
        let (expected, found) = (self.names.len(), record.len());
        let base = format!("{expected} fields as in the header, not {found}");
        if found < expected {
            return format!("{base}; the row ends before {}", self.names.get(found).map_or("", String::as_str));
        }
        let fields: Vec<&[u8]> = record.iter().map(<[u8]>::trim_ascii).collect();
        let number = |field: &[u8]| !field.is_empty() && field.iter().all(u8::is_ascii_digit);
        if let Some(pair) = fields.windows(2).find(|pair| number(pair[0]) && number(pair[1])) {
            let [whole, fraction] = [pair[0], pair[1]].map(String::from_utf8_lossy);
            return format!("{base}; write a decimal point, not a comma, if {whole}.{fraction} is meant");
        }
        if fields[expected..].iter().all(|field| field.is_empty()) {
            return format!("{base}; remove the commas at the end");
        }
        format!("{base}; put text that has a comma in it between quotation marks")
    }
}

const NOT_UTF8: &str = "UTF-8 text; save the file as UTF-8";

/// The list of columns in full, unless it is absurd.
fn excerpt_list(list: &str) -> String {
    const SHOWN: usize = 2000;
    if list.chars().count() <= SHOWN {
        return list.into();
    }
    list.chars().take(SHOWN).chain("...".chars()).collect()
}

/// Puts the text of one field into the trial, or says what was expected.
fn set(column: Column, text: &str, outcome: Option<Outcome>, trial: &mut Trial) -> Result<(), String> {
    let optional = || (!text.is_empty()).then(|| text.to_string());
    match column {
        Column::TrialId => trial.trial_id = text.into(),
        Column::Surface => trial.surface = text.into(),
        Column::Material => trial.material = text.into(),
        Column::Outcome => {
            if outcome.is_none() {
                return Err(refuse_outcome(text));
            }
        }
        Column::SurfaceRole => {
            trial.surface_role = match text {
                "" => None,
                _ => Some(text.parse().map_err(|_| refuse_role(text))?),
            }
        }
        Column::MaterialClass => trial.material_class = optional(),
        Column::Day => trial.day = optional(),
        Column::Run => trial.run = optional(),
        Column::Belt => trial.belt = optional(),
        Column::Note => trial.note = optional(),
        Column::Layers => trial.layers = if text.is_empty() { None } else { Some(layers(text)?) },
        Column::AbrasionTime
        | Column::Speed
        | Column::DropHeight
        | Column::Temperature
        | Column::NormalForce
        | Column::SpecimenMass
        | Column::Thickness => {
            if !text.is_empty() {
                let value = decimal(column, text, outcome)?;
                if let Some(slot) = column.decimal_mut(trial) {
                    *slot = Some(value);
                }
            }
        }
    }
    Ok(())
}

fn refuse_outcome(text: &str) -> String {
    let allowed = "one of perforated, run_out, opened_at_contact, void";
    match Outcome::ALL.into_iter().find(|o| resemble(o.as_str(), text)) {
        Some(meant) => format!("{allowed}; write exactly {meant}"),
        None => allowed.into(),
    }
}

fn refuse_role(text: &str) -> String {
    match SurfaceRole::ALL.into_iter().find(|r| resemble(r.as_str(), text)) {
        Some(meant) => format!("road or laboratory; write exactly {meant}"),
        None => "road or laboratory, or nothing where it is not known".into(),
    }
}
