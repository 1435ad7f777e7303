//! In which order unknowns are eliminated: the one with the fewest neighbours next.

use super::elimination::Symmetric;

/// The unknowns that each unknown meets, while elimination goes on.
pub(super) enum Neighbours {
    /// One bit per pair: fast, for as many unknowns as memory allows.
    Bits { words: usize, bits: Vec<u64> },
    /// Ascending lists.
    Lists(Vec<Vec<usize>>),
}

/// Up to this many unknowns pairs are kept as bits (32 MB).
const BITS: usize = 16_384;

impl Neighbours {
    pub(super) fn new(matrix: &Symmetric) -> Self {
        let n = matrix.len();
        if n > BITS {
            return Self::Lists((0..n).map(|i| matrix.row(i).map(|(j, _)| j).collect()).collect());
        }
        let words = n.div_ceil(64);
        let mut bits = vec![0u64; n * words];
        for i in 0..n {
            for (j, _) in matrix.row(i) {
                bits[i * words + j / 64] |= 1 << (j % 64);
            }
        }
        Self::Bits { words, bits }
    }

    /// Ascending.
    pub(super) fn of(&self, node: usize) -> Vec<usize> {
        match self {
            Self::Lists(lists) => lists[node].clone(),
            Self::Bits { words, bits } => {
                let mut out = Vec::new();
                for (at, &word) in bits[node * words..(node + 1) * words].iter().enumerate() {
                    let mut left = word;
                    while left != 0 {
                        out.push(at * 64 + left.trailing_zeros() as usize);
                        left &= left - 1;
                    }
                }
                out
            }
        }
    }

    /// `node` goes and leaves its neighbours (`clique`, `a` among them) meeting each other: the new
    /// degree of `a`.
    pub(super) fn join(&mut self, a: usize, node: usize, clique: &[usize]) -> usize {
        match self {
            Self::Lists(lists) => {
                let mut merged = Vec::with_capacity(lists[a].len() + clique.len());
                merge_without(&lists[a], clique, node, a, &mut merged);
                lists[a] = merged;
                lists[a].len()
            }
            Self::Bits { words, bits } => {
                let (from, to) = (node * *words, a * *words);
                for w in 0..*words {
                    bits[to + w] |= bits[from + w];
                }
                for gone in [node, a] {
                    bits[to + gone / 64] &= !(1 << (gone % 64));
                }
                bits[to..to + *words].iter().map(|w| w.count_ones() as usize).sum()
            }
        }
    }
}

/// `(a ∪ b) \ {x, y}` of ascending lists.
fn merge_without(a: &[usize], b: &[usize], x: usize, y: usize, out: &mut Vec<usize>) {
    out.clear();
    let (mut i, mut j) = (0, 0);
    while i < a.len() || j < b.len() {
        let next = match (a.get(i), b.get(j)) {
            (Some(&p), Some(&q)) => {
                i += usize::from(p <= q);
                j += usize::from(q <= p);
                p.min(q)
            }
            (Some(&p), None) => {
                i += 1;
                p
            }
            (_, Some(&q)) => {
                j += 1;
                q
            }
            (None, None) => break,
        };
        if next != x && next != y {
            out.push(next);
        }
    }
}
