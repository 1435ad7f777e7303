//! In which order the specimens of a plan are run.

use super::plan::Plan;
use crate::error::{ErrorKind, Result};
use crate::numeric::stream::{stream, unit};

/// One drop of a plan.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct PlannedDrop<'a> {
    pub(crate) day: String,
    pub(crate) surface: &'a str,
    pub(crate) laboratory: bool,
    pub(crate) material: &'a str,
    /// Number of the belt, and drops on it before.
    pub(crate) belt: Option<(usize, usize)>,
}

impl Plan {
    /// Day by day, surface by surface in random order, and there in blocks that hold every material at most once, at random
    /// within each: what drifts while a surface is run falls on all materials alike (randomised blocks; Box, Hunter & Hunter,
    /// Statistics for Experimenters, chapter 4). Blocks take turns over the belts, those of one belt one after the other. `cloth`: a material that is dropped first, last and after every so many
    /// drops on the laboratory surface.
    pub(crate) fn run_order<'a>(&'a self, seed: u64, cloth: Option<(&'a str, usize)>) -> Result<Vec<PlannedDrop<'a>>> {
        let layout = self.layout()?;
        if cloth.is_some_and(|c| c.1 == 0) {
            return Err(ErrorKind::option("every", 0, "at least 1 drop between two of the reference cloth"));
        }
        let mut rng = stream(seed, 0);
        let mut shuffled = |items: Vec<usize>| {
            let mut keyed: Vec<(f64, usize)> = items.into_iter().map(|i| (unit(&mut rng), i)).collect();
            keyed.sort_by(|a, b| a.0.total_cmp(&b.0));
            keyed.into_iter().map(|k| k.1).collect::<Vec<usize>>()
        };
        let mut drops = Vec::with_capacity(self.trials());
        let mut served = vec![0_usize; self.belts];
        for day in 0..layout.days.len() {
            let on = |s: usize| -> Vec<(usize, usize)> {
                let cells = layout.cells.iter().filter(|c| c.surface == s);
                cells.flat_map(|c| c.days.iter().filter(|d| d.0 == day).map(|d| (c.material, d.1))).collect()
            };
            let surfaces = (0..self.surfaces.len()).filter(|&s| !on(s).is_empty()).collect();
            for s in shuffled(surfaces) {
                let laboratory = layout.laboratory == Some(s);
                let drop = |material, belt| PlannedDrop {
                    day: layout.days[day].clone(),
                    surface: &self.surfaces[s].name,
                    laboratory,
                    material,
                    belt,
                };
                let cells = on(s);
                let blocks = cells.iter().map(|c| c.1).max().unwrap_or(0);
                let belts = if laboratory { self.belts } else { 1 };
                let mut turns: Vec<usize> = (0..blocks).collect();
                turns.sort_by_key(|block| (day + block) % belts);
                for of_belt in turns.chunk_by(|a, b| (day + a) % belts == (day + b) % belts) {
                    let belt = (day + of_belt[0]) % belts;
                    let mut order = Vec::new();
                    for &block in of_belt {
                        let here = cells.iter().filter(|c| c.1 > block).map(|c| c.0).collect();
                        order.extend(shuffled(here).into_iter().map(|m| self.materials[m].name.as_str()));
                    }
                    let cloth = cloth.filter(|_| laboratory);
                    let mut with_cloth = Vec::new();
                    for (i, material) in order.into_iter().enumerate() {
                        with_cloth.extend(cloth.filter(|c| i % c.1 == 0).map(|c| c.0));
                        with_cloth.push(material);
                    }
                    with_cloth.extend(cloth.map(|c| c.0));
                    for material in with_cloth {
                        let on = laboratory.then(|| (belt + 1, served[belt]));
                        if laboratory {
                            served[belt] += 1;
                        }
                        drops.push(drop(material, on));
                    }
                }
            }
        }
        Ok(drops)
    }
}
