//! Cuts the holes, so that body, cavities and bores become one surface, and makes their plugs.

use super::Vent;
use super::place::{Spot, circumscribed};
use crate::context::Context;
use crate::error::Result;
use crate::mesh::boolean::subtract;
use crate::mesh::frame::across;
use crate::mesh::{Mesh, Point, Pose, Solid, Vector, shapes};
use crate::part::{Part, VentHole};
use crate::setup::Setup;
use std::f64::consts::TAU;
use std::sync::Arc;

/// A plug narrows by this much of its length, to wedge in the hole (common practice, no source).
const TAPER: f64 = 0.05;
/// A disc of fewer pixels across is none (common practice, no source).
const LEAST_PIXELS: f64 = 4.0;
/// Gap between plugs laid out side by side, mm.
const PLUG_GAP_MM: f64 = 2.0;

/// The part with all holes cut. `spots` come with the number of their cavity.
pub(super) fn cut(
    options: &Vent,
    part: &Part,
    spots: &[(Spot, u32)],
    ctx: &Context,
) -> Result<Part> {
    let to_body = part.pose.inverse();
    let tools: Vec<Solid> =
        spots.iter().map(|(s, _)| tool(s, options.sides, &to_body)).collect::<Result<_>>()?;
    let cavities: Vec<Solid> =
        part.cavities.iter().map(|c| Solid::try_from(c.flipped())).collect::<Result<_>>()?;
    let all: Vec<&Solid> = cavities.iter().chain(&tools).collect();
    let mut out = part.recut(subtract(&part.body, &all, &ctx.job)?);
    out.cavities.clear();
    if let Some(lattice) = &part.lattice {
        let lattice = Solid::try_from(Mesh::clone(lattice))?;
        let tools: Vec<&Solid> = tools.iter().collect();
        out.lattice = Some(Arc::new(Mesh::from(subtract(&lattice, &tools, &ctx.job)?.solid)));
    }
    let known = part.drainage.len() as u32;
    for (spot, cavity) in spots {
        let mut hole = hole(spot, known + cavity, &to_body);
        if options.plugs
            && !hole.inner
            && stopper_mm(options, &hole) >= least_stopper_mm(&ctx.setup)
        {
            hole.plug = Some(out.plugs.len() as u32);
            out.plugs.push(plug(options, &hole, &out.plugs)?);
        }
        out.vents.push(hole);
    }
    Ok(out)
}

fn hole(spot: &Spot, cavity: u32, to_body: &Pose) -> VentHole {
    // A hole into another void has its mouth where the void that it serves meets the wall.
    let (mouth, inward) =
        if spot.outside { (spot.mouth(), -spot.out) } else { (spot.entry, spot.out) };
    VentHole {
        mouth: to_body * mouth,
        inward: to_body * inward,
        diameter_mm: spot.diameter_mm,
        length_mm: spot.length_mm,
        cavity,
        plug: None,
        inner: !spot.outside,
    }
}

/// The bore as a prism around the asked circle, in body coordinates.
fn tool(spot: &Spot, sides: u32, to_body: &Pose) -> Result<Solid> {
    let [u, v] = across(&spot.out);
    let radius = circumscribed(0.5 * spot.diameter_mm, sides);
    let corner = |along: f64, i: u32| {
        let (s, c) = (TAU * f64::from(i) / f64::from(sides)).sin_cos();
        let arm: Vector = (u * c + v * s) * radius;
        to_body * (spot.entry + spot.out * along + arm)
    };
    let ends = [spot.tool_mm.0, spot.tool_mm.1];
    let mut vertices: Vec<Point> =
        ends.iter().flat_map(|&t| (0..sides).map(move |i| corner(t, i))).collect();
    vertices.extend(ends.map(|t| to_body * (spot.entry + spot.out * t)));
    let (low, high) = (2 * sides, 2 * sides + 1);
    let triangles = (0..sides).flat_map(|i| {
        let j = (i + 1) % sides;
        [[low, j, i], [i, j, sides + j], [i, sides + j, sides + i], [high, sides + i, sides + j]]
    });
    Solid::try_from(Mesh::new("bore", vertices, triangles.collect())?)
}

/// Diameter of a stopper's narrow end, mm.
pub(super) fn stopper_mm(options: &Vent, hole: &VentHole) -> f64 {
    hole.diameter_mm - 2.0 * (options.clearance_mm + TAPER * stopper_length_mm(hole))
}

/// Least diameter that a stopper may have anywhere, mm.
pub(super) fn least_stopper_mm(setup: &Setup) -> f64 {
    LEAST_PIXELS * setup.machine.pixel_mm
}

fn stopper_length_mm(hole: &VentHole) -> f64 {
    hole.length_mm.min(hole.longest_stopper_mm())
}

/// A stopper that goes into the hole from its mouth, standing on its wide end beside the others.
fn plug(options: &Vent, hole: &VentHole, others: &[Solid]) -> Result<Solid> {
    let wide = 0.5 * hole.diameter_mm - options.clearance_mm;
    let narrow = 0.5 * stopper_mm(options, hole);
    let length = stopper_length_mm(hole);
    let solid = shapes::frustum(wide, narrow, length, options.sides as usize)?;
    let x = others.last().map_or(0.0, |o| o.bounds().max.x + PLUG_GAP_MM + wide);
    let b = solid.bounds();
    let moved = solid.transformed(&Pose::translation(x - b.center().x, -b.center().y, -b.min.z));
    Solid::try_from(moved.renamed(format!("plug {}", others.len() + 1)))
}
