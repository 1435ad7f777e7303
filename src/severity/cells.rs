//! A campaign reduced to numbers: fitted trials grouped by cell, in canonical order.

use crate::campaign::{Campaign, Outcome};

use super::distribution::Distribution;
use super::newton::{Contribution, Design, LogTime, Point, System, contribution};

/// One material on one surface: `times[start..end]`.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Cell {
    pub(crate) material: usize,
    pub(crate) surface: usize,
    pub(crate) start: usize,
    pub(crate) end: usize,
}

impl Cell {
    pub(crate) fn len(&self) -> usize {
        self.end - self.start
    }
}

/// All trials that can be fitted.
#[derive(Debug, Clone)]
pub(crate) struct Cells {
    pub(crate) cells: Vec<Cell>,
    pub(crate) times: Vec<LogTime>,
    /// Case weights of `times`; all one where absent.
    weights: Option<Vec<f64>>,
    /// Of each cell.
    pub(crate) kinds: Vec<Kinds>,
    /// Position of each entry of `times` in `Campaign::trials`.
    pub(crate) trial: Vec<usize>,
}

impl Cells {
    /// `resolution`: perforated times are known to ± half of it (s); exact where absent.
    pub(crate) fn new(campaign: &Campaign, resolution: Option<f64>) -> Self {
        let mut cells: Vec<Cell> = Vec::new();
        let mut times = Vec::with_capacity(campaign.len());
        let mut weights = Vec::new();
        let mut trial = Vec::with_capacity(campaign.len());
        for row in campaign.fitted_by_cell() {
            match cells.last_mut() {
                Some(cell) if cell.material == row.material && cell.surface == row.surface => cell.end += 1,
                _ => cells.push(Cell {
                    material: row.material,
                    surface: row.surface,
                    start: times.len(),
                    end: times.len() + 1,
                }),
            }
            let y = row.log_time;
            times.push(match row.outcome {
                Outcome::RunOut => LogTime::Right(y),
                Outcome::OpenedAtContact => LogTime::Left(y),
                Outcome::Perforated | Outcome::Void => resolution.map_or(LogTime::Exact(y), |step| read_to(y, step)),
            });
            if campaign.is_weighted() {
                weights.push(row.weight);
            }
            trial.push(row.trial);
        }
        let kinds = cells.iter().map(|c| Kinds::of(&times[c.start..c.end])).collect();
        Self { cells, kinds, times, weights: campaign.is_weighted().then_some(weights), trial }
    }

    /// Takes `shift` of each trial of the campaign off the log times.
    pub(crate) fn take_off(&mut self, shift: &[f64]) {
        for (time, &i) in self.times.iter_mut().zip(&self.trial) {
            *time = time.moved(-shift[i]);
        }
    }

    /// The cells with how their trials ended.
    pub(crate) fn with_kinds(&self) -> impl Iterator<Item = (&Cell, Kinds)> {
        self.cells.iter().zip(self.kinds.iter().copied())
    }

    /// The cells of a material: they lie together.
    pub(crate) fn of_material(&self, material: usize) -> std::ops::Range<usize> {
        let start = self.cells.partition_point(|c| c.material < material);
        start..self.cells.partition_point(|c| c.material <= material)
    }

    /// The cells of each of `surfaces` surfaces.
    pub(crate) fn by_surface(&self, surfaces: usize) -> Vec<Vec<usize>> {
        let mut found = vec![Vec::new(); surfaces];
        for (at, cell) in self.cells.iter().enumerate() {
            found[cell.surface].push(at);
        }
        found
    }

    pub(crate) fn of(&self, cell: &Cell) -> &[LogTime] {
        &self.times[cell.start..cell.end]
    }
}

/// A time read from a clock of this step (s).
fn read_to(y: f64, step: f64) -> LogTime {
    let t = libm::exp(y);
    let upper = libm::log(t + 0.5 * step);
    if t <= 0.5 * step { LogTime::Left(upper) } else { LogTime::Between(libm::log(t - 0.5 * step), upper) }
}

/// Kinds of trials in a cell.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub(crate) struct Kinds {
    pub(crate) exact: usize,
    pub(crate) right: usize,
    pub(crate) left: usize,
}

impl Kinds {
    pub(crate) fn of(times: &[LogTime]) -> Self {
        let mut kinds = Self::default();
        for time in times {
            match time {
                // Both ends finite: holds the location from both sides, as an exact time does.
                LogTime::Exact(_) | LogTime::Between(..) => kinds.exact += 1,
                LogTime::Right(_) => kinds.right += 1,
                LogTime::Left(_) => kinds.left += 1,
            }
        }
        kinds
    }
    pub(crate) fn total(self) -> usize {
        self.exact + self.right + self.left
    }
}

/// The part of the cells that is fitted, with coefficients numbered.
///
/// `η = diagonal[group] - border[column]`; the reference surface has no column.
#[derive(Debug, Clone)]
pub(crate) struct Crossed {
    pub(crate) groups: usize,
    pub(crate) columns: usize,
    pub(crate) blocks: Vec<Block>,
    pub(crate) times: Vec<LogTime>,
    /// Case weights; all one where absent.
    pub(crate) weights: Option<Vec<f64>>,
}

#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Block {
    pub(crate) group: usize,
    pub(crate) column: Option<usize>,
    pub(crate) start: usize,
    pub(crate) end: usize,
}

impl Crossed {
    pub(crate) fn new(groups: usize, columns: usize) -> Self {
        Self { groups, columns, blocks: Vec::new(), times: Vec::new(), weights: None }
    }

    /// Adds the trials of a cell.
    pub(crate) fn push(&mut self, cells: &Cells, cell: &Cell, group: usize, column: Option<usize>) {
        let start = self.times.len();
        self.times.extend_from_slice(cells.of(cell));
        if let Some(weights) = &cells.weights {
            self.weights.get_or_insert_default().extend_from_slice(&weights[cell.start..cell.end]);
        }
        self.blocks.push(Block { group, column, start, end: self.times.len() });
    }

    /// Adds a block of another design as a group of its own.
    pub(crate) fn push_block(&mut self, other: &Self, block: &Block) {
        let start = self.times.len();
        self.times.extend_from_slice(&other.times[block.start..block.end]);
        if let Some(weights) = &other.weights {
            self.weights.get_or_insert_default().extend_from_slice(&weights[block.start..block.end]);
        }
        self.blocks.push(Block { group: self.groups, column: None, start, end: self.times.len() });
        self.groups += 1;
    }

    /// Sum of the case weights: the number of trials where all count alike.
    #[allow(clippy::cast_precision_loss)]
    pub(crate) fn total_weight(&self) -> f64 {
        self.weights.as_ref().map_or(self.times.len() as f64, |w| w.iter().sum())
    }

    /// Takes `shift` off the log times; `trials` are their places in it.
    pub(crate) fn take_off(&mut self, trials: &[usize], shift: &[f64]) {
        for (time, &i) in self.times.iter_mut().zip(trials) {
            *time = time.moved(-shift[i]);
        }
    }

    pub(crate) fn all_exact(&self) -> bool {
        self.times.iter().all(|t| matches!(t, LogTime::Exact(_)))
    }
}

impl Block {
    #[allow(clippy::cast_precision_loss)]
    pub(crate) fn count(&self) -> f64 {
        (self.end - self.start) as f64
    }
}

impl Design for Crossed {
    fn diagonal_len(&self) -> usize {
        self.groups
    }

    fn border_len(&self) -> usize {
        self.columns
    }

    fn accumulate(&self, distribution: Distribution, point: &Point, mut system: Option<&mut System>) -> f64 {
        let q = self.columns + 1;
        let last = q - 1;
        let mut total = 0.0;
        for block in &self.blocks {
            let eta = point.diagonal[block.group] - block.column.map_or(0.0, |c| point.border[c]);
            let mut sum = Contribution::default();
            for i in block.start..block.end {
                let c = contribution(distribution, self.times[i], eta, point.lambda);
                let w = self.weights.as_ref().map_or(1.0, |w| w[i]);
                sum.value += w * c.value;
                sum.d_eta += w * c.d_eta;
                sum.d_lambda += w * c.d_lambda;
                sum.i_eta += w * c.i_eta;
                sum.i_cross += w * c.i_cross;
                sum.i_lambda += w * c.i_lambda;
            }
            total += sum.value;
            if let Some(system) = system.as_deref_mut() {
                let row = &mut system.information.border[block.group * q..(block.group + 1) * q];
                system.diagonal[block.group] += sum.d_eta;
                system.information.diagonal[block.group] += sum.i_eta;
                row[last] += sum.i_cross;
                let corner = &mut system.information.corner;
                if let Some(column) = block.column {
                    system.border[column] -= sum.d_eta;
                    row[column] -= sum.i_eta;
                    corner[column * q + column] += sum.i_eta;
                    corner[last * q + column] -= sum.i_cross;
                }
                system.border[last] += sum.d_lambda;
                corner[last * q + last] += sum.i_lambda;
            }
        }
        total
    }
}
