//! Which factors these trials can determine at all, decided before anything is fitted.
//!
//! Give every material and every surface a level (log durability, log k). An exact time ties the
//! levels of its material and surface; a run-out only says "the material may be more durable", a
//! contact opening only "the surface may be harsher". Draw an arrow from x to y where the trials
//! say that y cannot fall below x. The likelihood has a finite maximum exactly for those nodes that
//! can be reached from the reference surface *and* can reach it; a node reached one way only has an
//! infinite estimate in that direction, of which the trials give a bound. (For a concave likelihood
//! these arrows are its directions of recession: Rockafellar 1970, section 27; the analogue of
//! complete separation in Albert & Anderson 1984.)

use crate::error::{Component, ErrorKind, Result};
use crate::estimate::BoundSide;

use super::cells::Kinds;

/// One cell as the graph sees it.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Link {
    pub(crate) material: usize,
    pub(crate) surface: usize,
    pub(crate) kinds: Kinds,
}

/// Whether a node has a finite place on the scale.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Standing {
    Finite,
    /// Infinite in this direction.
    Beyond(BoundSide),
    /// Tied to the scale by nothing that gives a direction.
    Loose,
    /// No trial at all that could be fitted.
    Untested,
}

#[derive(Debug, Clone)]
pub(crate) struct Standings {
    pub(crate) materials: Vec<Standing>,
    pub(crate) surfaces: Vec<Standing>,
}

/// # Errors
/// `Disconnected` where materials and surfaces fall into parts that no trial joins.
pub(crate) fn standings(
    links: &[Link],
    materials: &[String],
    surfaces: &[String],
    reference: usize,
) -> Result<Standings> {
    let (m, s) = (materials.len(), surfaces.len());
    let nodes = m + s;
    let mut up: Vec<Vec<usize>> = vec![Vec::new(); nodes];
    let mut down: Vec<Vec<usize>> = vec![Vec::new(); nodes];
    let mut any: Vec<Vec<usize>> = vec![Vec::new(); nodes];
    let mut arrow = |from: usize, to: usize| {
        up[from].push(to);
        down[to].push(from);
    };
    for link in links {
        let (material, surface) = (link.material, m + link.surface);
        if link.kinds.total() == 0 {
            continue;
        }
        any[material].push(surface);
        any[surface].push(material);
        if link.kinds.exact > 0 || link.kinds.right > 0 {
            arrow(surface, material);
        }
        if link.kinds.exact > 0 || link.kinds.left > 0 {
            arrow(material, surface);
        }
    }
    connected(links, &any, materials, surfaces, reference)?;
    let above = reach(&up, m + reference);
    let below = reach(&down, m + reference);
    let standing = |node: usize| match (above[node], below[node]) {
        _ if any[node].is_empty() => Standing::Untested,
        (true, true) => Standing::Finite,
        (true, false) => Standing::Beyond(BoundSide::AtLeast),
        (false, true) => Standing::Beyond(BoundSide::AtMost),
        (false, false) => Standing::Loose,
    };
    Ok(Standings { materials: (0..m).map(standing).collect(), surfaces: (m..nodes).map(standing).collect() })
}

fn reach(edges: &[Vec<usize>], from: usize) -> Vec<bool> {
    let mut seen = vec![false; edges.len()];
    let mut stack = vec![from];
    seen[from] = true;
    while let Some(node) = stack.pop() {
        for &next in &edges[node] {
            if !seen[next] {
                seen[next] = true;
                stack.push(next);
            }
        }
    }
    seen
}

fn connected(
    links: &[Link],
    any: &[Vec<usize>],
    materials: &[String],
    surfaces: &[String],
    reference: usize,
) -> Result<()> {
    let m = materials.len();
    if any[m + reference].is_empty() {
        return Err(ErrorKind::NotEstimable {
            quantity: format!("a scale relative to surface {:?}", surfaces[reference]),
            reason: "the reference surface has no trial that can be fitted".into(),
        }
        .into());
    }
    let mut part = vec![usize::MAX; any.len()];
    let mut parts = 0;
    // The reference's part comes first.
    for start in std::iter::once(m + reference).chain(0..any.len()) {
        if part[start] != usize::MAX || any[start].is_empty() {
            continue;
        }
        for (node, seen) in reach(any, start).into_iter().enumerate() {
            if seen {
                part[node] = parts;
            }
        }
        parts += 1;
    }
    if parts <= 1 {
        return Ok(());
    }
    let name = |node: usize| if node < m { &materials[node] } else { &surfaces[node - m] };
    let members = |p: usize, range: std::ops::Range<usize>| -> Vec<String> {
        range.filter(|&node| part[node] == p).map(|node| name(node).clone()).collect()
    };
    let components = (0..parts).map(|p| Component::new(members(p, 0..m), members(p, m..any.len()))).collect();
    // Joining n parts takes n - 1 cells: the best-tested material of the reference's part on the
    // best-tested surface of each other part.
    let mut trials = vec![0; any.len()];
    for link in links {
        trials[link.material] += link.kinds.total();
        trials[m + link.surface] += link.kinds.total();
    }
    let best = |p: usize, range: std::ops::Range<usize>| {
        range.filter(|&node| part[node] == p).max_by_key(|&node| (trials[node], std::cmp::Reverse(node)))
    };
    let bridging_cells =
        (1..parts).filter_map(|p| Some((name(best(0, 0..m)?).clone(), name(best(p, m..any.len())?).clone()))).collect();
    Err(ErrorKind::Disconnected { components, bridging_cells }.into())
}
