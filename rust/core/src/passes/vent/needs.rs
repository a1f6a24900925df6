//! Which holes a part needs: one for each place where a closed void begins.
//!
//! A hole at the very beginning of a void leaves nothing sealed before it, and once two vented
//! voids join, either hole serves both. So the fewest holes are one for each leaf of the void's
//! tree, after leaves too small to matter have been dropped.

use crate::layers::{Branch, MergeTree as Tree, Size, SweepFrom as From, VoidMap};

/// One hole that must be made.
#[derive(Clone, Debug)]
pub(super) struct Need {
    /// From which end the void is closed: [`From::Plate`] asks for air, [`From::Top`] for a drain.
    pub(super) from: From,
    /// The void's last branch, which holds all others.
    pub(super) root: u32,
    /// Void regions from the beginning on, layer by layer, each with what stays closed before it.
    pub(super) chain: Vec<Step>,
    /// Greatest area that this hole must serve alone, mm².
    pub(super) area_mm2: f64,
}

/// A layer of a void from its beginning on.
#[derive(Clone, Debug)]
pub(super) struct Step {
    pub(super) layer: u32,
    /// The void's regions in the layer.
    pub(super) regions: Vec<u32>,
    /// Volume before this layer, mm³.
    pub(super) before_mm3: f64,
    /// Widest layer before this one, mm².
    pub(super) before_mm2: f64,
}

/// The needs of every root that `wanted` picks; `matters` tells which of its parts are worth a
/// hole of their own. Every wanted root has at least one.
pub(super) fn needs(
    map: &VoidMap,
    tree: &Tree,
    from: From,
    wanted: impl Fn(u32) -> bool,
    matters: impl Fn(Size) -> bool,
) -> Vec<Need> {
    let sizes = &tree.sizes;
    let mut leaves: Vec<Vec<u32>> = Vec::with_capacity(sizes.len());
    for (i, b) in tree.branches.iter().enumerate() {
        let large = b.parts.iter().filter(|&&p| matters(sizes[p as usize]));
        let mut own: Vec<u32> = large.flat_map(|&p| leaves[p as usize].iter().copied()).collect();
        if own.is_empty() {
            let volume = |p: &&u32| sizes[**p as usize].volume_mm3;
            let largest = b.parts.iter().max_by(|a, b| volume(a).total_cmp(&volume(b)));
            own.push(largest.map_or(i as u32, |&p| leaves[p as usize][0]));
        }
        leaves.push(own);
    }
    let mut served = vec![0.0_f64; sizes.len()];
    for (branch, leaves) in tree.branches.iter().zip(&leaves) {
        let widest = branch.areas.iter().map(|a| a.1).fold(0.0, f64::max);
        let share = widest / leaves.len() as f64;
        for &leaf in leaves {
            served[leaf as usize] = served[leaf as usize].max(share);
        }
    }
    let mut out = Vec::new();
    for root in tree.roots() {
        for &leaf in leaves[root as usize].iter().filter(|_| wanted(root)) {
            let chain = chain(map, tree, leaf);
            out.push(Need { from, root, chain, area_mm2: served[leaf as usize] });
        }
    }
    out
}

/// The layers of a void from a leaf up to its root.
fn chain(map: &VoidMap, tree: &Tree, leaf: u32) -> Vec<Step> {
    let mut out: Vec<Step> = Vec::new();
    let mut at = Some(leaf);
    let mut before = Size::NONE;
    while let Some(branch) = at {
        let b: &Branch = &tree.branches[branch as usize];
        let mut regions = b.regions.iter().copied().peekable();
        for &(layer, area) in &b.areas {
            let here =
                std::iter::from_fn(|| regions.next_if(|&r| map.regions[r as usize].layer == layer));
            out.push(Step {
                layer,
                regions: here.collect(),
                before_mm3: before.volume_mm3,
                before_mm2: before.widest_mm2,
            });
            let volume_mm3 = area * map.grid.layer_mm;
            before.add(Size { volume_mm3, widest_mm2: area, layers: (layer, layer) });
        }
        // The parts that join here were closed before, too.
        let parts = b.into.iter().flat_map(|&w| &tree.branches[w as usize].parts);
        parts.filter(|&&p| p != branch).for_each(|&p| before.add(tree.sizes[p as usize]));
        at = b.into;
    }
    out
}
