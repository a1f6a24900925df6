//! Set operations on solids: what cuts vents, fits plugs and fuses shells.
//!
//! A thin, safe door to `manifold-rust`: coordinates stay f64 from end to end, every facet of a
//! result names the facet it was cut from, and no result leaves before [`Solid`] has proven it.
//!
//! The exact engine behind it does algebra on winding numbers: a − b winds a(1 − b) times, so a
//! body that overlaps itself may be cut as it is, but a tool that winds twice somewhere, or
//! backwards, would leave material behind. Tools are therefore made to wind once first; only
//! those that need it pay for that.

use super::edges::Edges;
use super::shells::Shells;
use super::{Mesh, Point, Solid};
use crate::context::Context;
use crate::error::{Error, Result};
use manifold_rust::cancel::CancelToken as Stop;
use manifold_rust::manifold::Manifold;
use manifold_rust::robust::soup::has_self_intersections_with_token;
use manifold_rust::types::{BooleanEngine, Error as Status, MeshGLP, OpType, WindingRule};
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::Duration;

/// Where a facet of a result comes from.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub struct Source {
    /// Which operand, in the order given; 0 is the first.
    pub operand: u32,
    /// Facet of that operand.
    pub facet: u32,
}

/// A solid made from others.
#[derive(Clone, Debug)]
pub struct Cut {
    /// The result, under the first operand's name.
    pub solid: Solid,
    /// For each facet of the result, the facet that it is, or is a piece of.
    pub sources: Vec<Source>,
}

/// What is in `body` and in none of the tools.
///
/// Facets of `body` that no tool touches keep their corners to the last bit; their order
/// changes. `body` may overlap itself, the result then still does.
///
/// # Errors
/// [`Error::NotSolid`] when nothing is left, [`Error::Pass`] when the engine gives up,
/// [`Error::Cancelled`] within about 50 ms of asking, save for up to 0.5 s per 500 000 facets
/// while a mesh is taken in.
pub fn subtract(body: &Solid, tools: &[&Solid], ctx: &Context) -> Result<Cut> {
    guarded(body, ctx, |stop| {
        let Some(tool) = united(tools, 1, stop)? else { return take_in(body, 0) };
        op(&take_in(body, 0)?, &tool, OpType::Subtract, stop)
    })
}

/// Everything that is in any of the solids.
///
/// # Errors
/// As [`subtract`]; [`Error::NotSolid`] when there is no solid at all.
pub fn union(solids: &[&Solid], ctx: &Context) -> Result<Cut> {
    let Some(first) = solids.first() else {
        return Err(Error::NotSolid {
            name: "union".into(),
            problem: "it is of no solids".into(),
            remedy: "give at least one".into(),
        });
    };
    guarded(first, ctx, |stop| united(solids, 0, stop).map(|m| m.unwrap_or_default()))
}

/// What is in both solids.
///
/// # Errors
/// As [`subtract`].
pub fn intersect(a: &Solid, b: &Solid, ctx: &Context) -> Result<Cut> {
    guarded(a, ctx, |stop| op(&take_in(a, 0)?, &take_in(b, 1)?, OpType::Intersect, stop))
}

/// The same material as one surface that nowhere overlaps or touches itself: walls between
/// overlapping shells dissolve. Takes ten times as long as a cut; measured 7 s per 500 000
/// facets.
///
/// # Errors
/// As [`subtract`].
pub fn fuse(solid: &Solid, ctx: &Context) -> Result<Cut> {
    guarded(solid, ctx, |stop| Ok(fused(&take_in(solid, 0)?, stop)))
}

/// Why an operation ended without a result; worded for the user by [`guarded`].
type Raw<T> = std::result::Result<T, Status>;

fn take_in(solid: &Solid, operand: u32) -> Raw<Manifold> {
    let mesh = MeshGLP::<f64, u32> {
        num_prop: 3,
        vert_properties: solid.vertices().iter().flat_map(|v| [v.x, v.y, v.z]).collect(),
        tri_verts: solid.triangles().iter().flatten().copied().collect(),
        run_original_id: vec![operand],
        face_id: (0..solid.triangles().len() as u32).collect(),
        ..MeshGLP::default()
    };
    checked(Manifold::from_mesh_glp(&mesh))
}

fn checked(m: Manifold) -> Raw<Manifold> {
    match m.status() {
        Status::NoError => Ok(m),
        status => Err(status),
    }
}

fn op(a: &Manifold, b: &Manifold, op: OpType, stop: &Stop) -> Raw<Manifold> {
    checked(a.boolean_with_engine_and_token(b, op, BooleanEngine::Exact, Some(stop)))
}

fn fused(m: &Manifold, stop: &Stop) -> Manifold {
    m.rebuild_solid_with_token(WindingRule::Nonzero, Some(stop))
}

/// The union of the solids, winding once; `None` of none. Operands are numbered from `first`.
fn united(solids: &[&Solid], first: u32, stop: &Stop) -> Raw<Option<Manifold>> {
    let mut all: Option<Manifold> = None;
    for (i, solid) in solids.iter().enumerate() {
        let mut m = take_in(solid, first + i as u32)?;
        let edges = Edges::of(solid.vertices().len(), solid.triangles());
        let one_shell = Shells::of(solid.triangles(), &edges).count() == 1;
        // One shell of positive volume that does not meet itself winds once.
        if !one_shell || has_self_intersections_with_token(m.as_impl(), Some(stop)) {
            m = checked(fused(&m, stop))?;
        }
        all = Some(match all {
            Some(all) => op(&all, &m, OpType::Add, stop)?,
            None => m,
        });
    }
    Ok(all)
}

/// Runs the work on this thread, while another hands the user's wish to stop on to the engine;
/// turns what comes out into a proven solid and what goes wrong into our errors.
fn guarded(first: &Solid, ctx: &Context, work: impl FnOnce(&Stop) -> Raw<Manifold>) -> Result<Cut> {
    ctx.checkpoint(0.0)?;
    let stop = Stop::new();
    let done = AtomicBool::new(false);
    let outcome = std::thread::scope(|scope| {
        let watch = scope.spawn(|| {
            while !done.load(Ordering::Acquire) {
                if ctx.cancel.is_cancelled() {
                    return stop.cancel();
                }
                std::thread::park_timeout(Duration::from_millis(20));
            }
        });
        // The engine is young: a panic of its own must not take the program down.
        let outcome = catch_unwind(AssertUnwindSafe(|| work(&stop)));
        done.store(true, Ordering::Release);
        watch.thread().unpark();
        outcome
    });
    ctx.checkpoint(1.0)?;
    let fail = |problem: String| Error::Pass {
        pass: "boolean",
        part: first.name().into(),
        problem,
        remedy: "repair or fuse the model first".into(),
    };
    match outcome {
        Ok(Ok(m)) => bring_out(&m, first.name()),
        Ok(Err(Status::Cancelled)) => Err(Error::Cancelled),
        Ok(Err(status)) => Err(fail(format!("the engine reports '{status}'"))),
        Err(_) => Err(fail("the engine broke down".into())),
    }
}

fn bring_out(m: &Manifold, name: &str) -> Result<Cut> {
    let out: MeshGLP<f64, u32> = m.get_mesh_glp(-1);
    let vertices = out.vert_properties.chunks_exact(3).map(Point::from_slice).collect();
    let triangles: Vec<[u32; 3]> =
        out.tri_verts.chunks_exact(3).map(|t| [t[0], t[1], t[2]]).collect();
    let mut sources = Vec::with_capacity(triangles.len());
    for (run, &operand) in out.run_original_id.iter().enumerate() {
        let facets = out.run_index[run] as usize / 3..out.run_index[run + 1] as usize / 3;
        sources.extend(out.face_id[facets].iter().map(|&facet| Source { operand, facet }));
    }
    let solid = Solid::try_from(Mesh::new(name, vertices, triangles)?)?;
    Ok(Cut { solid, sources })
}
