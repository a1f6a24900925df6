//! First-layer inset: what stands on the plate itself is drawn in where over-exposed layers grow
//! beyond their outline, so that they come out true to size.

use crate::context::Context;
use crate::error::Result;
use crate::mesh::boolean::subtract;
use crate::mesh::{Mesh, Pose, Solid, shapes};
use crate::part::Part;
use i_overlay::core::fill_rule::FillRule;
use i_overlay::core::overlay_rule::OverlayRule;
use i_overlay::float::simplify::SimplifyShape;
use i_overlay::float::single::SingleFloatOverlay;
use i_overlay::mesh::float::outline::offset::OutlineOffset;
use i_overlay::mesh::float::style::{LineJoin, OutlineStyle};
use std::collections::BTreeMap;

/// Shapes in a plane: each an outer ring followed by its holes.
type Shapes = Vec<Vec<Vec<[f64; 2]>>>;

/// The part with its first layers drawn in by `inset_mm` on all sides, bores widened alike; none
/// where a piece of the lowest layer is too small to be left over.
pub(super) fn drawn_in(part: &Part, inset_mm: f64, ctx: &Context) -> Result<Option<Part>> {
    let x = &ctx.setup.exposure;
    let b = part.body.bounds_at(&part.pose);
    let frame = vec![
        [b.min.x - 1.0, b.min.y - 1.0],
        [b.max.x + 1.0, b.min.y - 1.0],
        [b.max.x + 1.0, b.max.y + 1.0],
        [b.min.x - 1.0, b.max.y + 1.0],
    ];
    let style = OutlineStyle::new(-inset_mm).line_join(LineJoin::Miter(0.3));
    // Slabs of layers with one outline: upright walls need but one.
    let mut slabs: Vec<(Shapes, u32)> = Vec::new();
    for k in 0..x.first_layers {
        ctx.checkpoint(f64::from(k) / f64::from(x.first_layers))?;
        let outline = section(part, (f64::from(k) + 0.5) * x.layer_mm);
        match slabs.last_mut() {
            Some(last) if alike(&last.0, &outline) => last.1 = k + 1,
            _ => slabs.push((outline, k + 1)),
        }
    }
    let to_body = part.pose.inverse();
    let mut tools: Vec<Solid> = Vec::new();
    let mut from_mm = b.min.z - 1.0;
    for (outline, end) in slabs {
        let left: Shapes = outline.outline(&style);
        if tools.is_empty() && left.len() < outline.len() {
            return Ok(None);
        }
        let end_mm = f64::from(end) * x.layer_mm;
        for piece in frame.overlay(&left, OverlayRule::Difference, FillRule::NonZero) {
            let slab = shapes::extrude("inset", &piece, end_mm - from_mm)?;
            let up = Pose::translation(0.0, 0.0, from_mm);
            tools.push(Solid::try_from(slab.transformed(&(to_body * up)))?);
        }
        from_mm = end_mm;
    }
    let tools: Vec<&Solid> = tools.iter().collect();
    let mut out = part.recut(subtract(&part.body, &tools, &ctx.job)?);
    out.inset_mm = inset_mm;
    Ok(Some(out))
}

/// The body's outline at a height.
fn section(part: &Part, z_mm: f64) -> Shapes {
    let mesh: &Mesh = &part.body;
    let at: Vec<_> = mesh.vertices().iter().map(|v| part.pose * v).collect();
    // From the edge on which the outline enters a facet to the one on which it leaves, the solid
    // on its left; a vertex on the plane counts as above, so each facet has both or none.
    let mut ways: BTreeMap<[u32; 2], Vec<[u32; 2]>> = BTreeMap::new();
    for t in mesh.triangles() {
        let above = t.map(|v| at[v as usize].z >= z_mm);
        let (mut enters, mut leaves) = (None, None);
        for i in 0..3 {
            let j = (i + 1) % 3;
            let edge = [t[i].min(t[j]), t[i].max(t[j])];
            match (above[i], above[j]) {
                (true, false) => enters = Some(edge),
                (false, true) => leaves = Some(edge),
                _ => {}
            }
        }
        if let (Some(a), Some(b)) = (enters, leaves) {
            ways.entry(a).or_default().push(b);
        }
    }
    let place = |e: [u32; 2]| {
        let (a, b) = (at[e[0] as usize], at[e[1] as usize]);
        let t = (z_mm - a.z) / (b.z - a.z);
        [a.x + (b.x - a.x) * t, a.y + (b.y - a.y) * t]
    };
    let mut rings: Vec<Vec<[f64; 2]>> = Vec::new();
    while let Some((&first, _)) = ways.first_key_value() {
        let (mut here, mut ring) = (first, Vec::new());
        while let Some(next) = ways.get_mut(&here).and_then(Vec::pop) {
            ring.push(place(here));
            if ways[&here].is_empty() {
                ways.remove(&here);
            }
            here = next;
        }
        rings.push(ring);
    }
    // Overlapping shells are one material.
    rings.simplify_shape(FillRule::NonZero)
}

/// Whether two outlines are the same but for rounding.
fn alike(a: &Shapes, b: &Shapes) -> bool {
    const ROUNDING_MM: f64 = 1e-5;
    let near = |p: &[f64; 2], q: &[f64; 2]| {
        (p[0] - q[0]).abs() < ROUNDING_MM && (p[1] - q[1]).abs() < ROUNDING_MM
    };
    let rings = |s: &Shapes| s.iter().flatten().map(Vec::len).collect::<Vec<_>>();
    rings(a) == rings(b)
        && a.iter().flatten().flatten().zip(b.iter().flatten().flatten()).all(|(p, q)| near(p, q))
}
