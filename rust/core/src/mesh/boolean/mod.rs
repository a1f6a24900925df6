//! Set operations on solids: what cuts vents, fits plugs and fuses shells.
//!
//! A thin, safe door to `manifold-rust`: coordinates stay f64 from end to end, every facet of a
//! result names the facet it was cut from, and no result leaves before [`Solid`] has proven it.
//!
//! The exact engine behind it does algebra on winding numbers: a − b winds a(1 − b) times, so a
//! body that overlaps itself may be cut as it is, but a tool that winds twice somewhere, or
//! backwards, would leave material behind. Tools are therefore made to wind once first; only
//! those that need it pay for that.

mod nearby;

use super::edges::Edges;
use super::shells::Shells;
use super::{Bounds, Mesh, Point, Solid};
use crate::error::{Error, Result};
use crate::job::Job;
use manifold_rust::cancel::CancelToken as Stop;
use manifold_rust::manifold::Manifold;
use manifold_rust::robust::soup::has_self_intersections_with_token;
use manifold_rust::types::{BooleanEngine, Error as Status, MeshGLP, OpType, WindingRule};
use nearby::Nearby;
use rayon::ThreadPoolBuilder;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::sync::mpsc::{self, RecvTimeoutError};
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
/// changes. `body` may overlap itself, the result then still does. Only the piece of `body` near
/// the tools goes through the engine, if that is less than half of it.
///
/// # Errors
/// [`Error::NotSolid`] when nothing is left, [`Error::Pass`] when the engine gives up,
/// [`Error::Cancelled`] within about 50 ms of asking.
///
/// ```
/// use vatwright::{Job, mesh::{boolean, measure::volume_mm3, shapes}};
/// let block = shapes::cuboid(4.0, 4.0, 4.0)?;
/// let notch = shapes::cuboid(2.0, 2.0, 20.0)?;
/// let cut = boolean::subtract(&block, &[&notch], &Job::default())?;
/// assert!(volume_mm3(&cut.solid) < volume_mm3(&block));
/// # Ok::<(), vatwright::Error>(())
/// ```
pub fn subtract(body: &Solid, tools: &[&Solid], job: &Job) -> Result<Cut> {
    if tools.is_empty() {
        let sources = (0..body.triangles().len() as u32).map(|facet| Source { operand: 0, facet });
        return Ok(Cut { solid: body.clone(), sources: sources.collect() });
    }
    let less_tools = |mesh: &Mesh| {
        let tools = tools.iter().map(|t| t.mesh());
        let meshes: Vec<&Mesh> = std::iter::once(mesh).chain(tools).collect();
        guarded(&meshes, job, |operands, stop| {
            let (body, tools) = operands.split_first().expect("the body was given");
            let tool = united(tools, stop)?.unwrap_or_default();
            op(&body.taken_in()?, &tool, OpType::Subtract, stop)
        })
    };
    let reach = tools.iter().fold(Bounds::EMPTY, |b, t| b.union(&t.bounds()));
    if let Some(near) = Nearby::of(body, &reach) {
        // The proof tells whether both fit together; where shells touch at the rim they may not.
        let cut = less_tools(&near.mesh).and_then(|cut| near.put_back(body, cut).proven());
        if let Ok(_) | Err(Error::Cancelled) = cut {
            return cut;
        }
    }
    less_tools(body)?.proven()
}

/// Everything that is in any of the solids.
///
/// # Errors
/// As [`subtract`]; [`Error::NotSolid`] when there is no solid at all.
pub fn union(solids: &[&Solid], job: &Job) -> Result<Cut> {
    if solids.is_empty() {
        return Err(Error::NotSolid {
            name: "union".into(),
            problem: "it is of no solids".into(),
            remedy: "give at least one".into(),
        });
    }
    let meshes: Vec<&Mesh> = solids.iter().map(|s| s.mesh()).collect();
    guarded(&meshes, job, |operands, stop| united(operands, stop).map(Option::unwrap_or_default))?
        .proven()
}

/// What is in both solids.
///
/// # Errors
/// As [`subtract`].
pub fn intersect(a: &Solid, b: &Solid, job: &Job) -> Result<Cut> {
    guarded(&[a, b], job, |operands, stop| {
        op(&operands[0].taken_in()?, &operands[1].taken_in()?, OpType::Intersect, stop)
    })?
    .proven()
}

/// The same material as one surface that nowhere overlaps or touches itself: walls between
/// overlapping shells dissolve. Takes ten times as long as a cut; measured 7 s per 500 000
/// facets.
///
/// # Errors
/// As [`subtract`].
pub fn fuse(solid: &Solid, job: &Job) -> Result<Cut> {
    guarded(&[solid], job, |operands, stop| Ok(fused(&operands[0].taken_in()?, stop)))?.proven()
}

/// Why an operation ended without a result; worded for the user by [`guarded`].
type EngineResult<T> = std::result::Result<T, Status>;

/// What comes out of the engine.
struct Raw {
    mesh: Mesh,
    sources: Vec<Source>,
}

impl Raw {
    fn proven(self) -> Result<Cut> {
        Ok(Cut { solid: Solid::try_from(self.mesh)?, sources: self.sources })
    }
}

/// A solid in the engine's own form.
struct Operand(MeshGLP<f64, u32>);

impl Operand {
    fn new(mesh: &Mesh, number: u32) -> Operand {
        Operand(MeshGLP {
            num_prop: 3,
            vert_properties: mesh.vertices().iter().flat_map(|v| [v.x, v.y, v.z]).collect(),
            tri_verts: mesh.triangles().iter().flatten().copied().collect(),
            run_original_id: vec![number],
            face_id: (0..mesh.triangles().len() as u32).collect(),
            ..MeshGLP::default()
        })
    }

    /// Cannot be stopped, and takes up to 0.5 s per 500 000 facets.
    fn taken_in(&self) -> EngineResult<Manifold> {
        checked(Manifold::from_mesh_glp(&self.0))
    }

    /// So that it winds nowhere more than once.
    fn winding_once(&self, stop: &Stop) -> EngineResult<Manifold> {
        let m = self.taken_in()?;
        let (triangles, _) = self.0.tri_verts.as_chunks();
        let edges = Edges::of(self.0.vert_properties.len() / 3, triangles);
        let one_shell = Shells::of(triangles, &edges).count() == 1;
        // One shell of positive volume that does not meet itself winds once.
        if one_shell && !has_self_intersections_with_token(m.as_impl(), Some(stop)) {
            return Ok(m);
        }
        checked(fused(&m, stop))
    }
}

fn checked(m: Manifold) -> EngineResult<Manifold> {
    match m.status() {
        Status::NoError => Ok(m),
        status => Err(status),
    }
}

fn op(a: &Manifold, b: &Manifold, op: OpType, stop: &Stop) -> EngineResult<Manifold> {
    checked(a.boolean_with_engine_and_token(b, op, BooleanEngine::Exact, Some(stop)))
}

fn fused(m: &Manifold, stop: &Stop) -> Manifold {
    m.rebuild_solid_with_token(WindingRule::Nonzero, Some(stop))
}

/// The union of the operands, winding once; `None` of none.
fn united(operands: &[Operand], stop: &Stop) -> EngineResult<Option<Manifold>> {
    let mut all: Option<Manifold> = None;
    for operand in operands {
        let m = operand.winding_once(stop)?;
        all = Some(match all {
            Some(all) => op(&all, &m, OpType::Add, stop)?,
            None => m,
        });
    }
    Ok(all)
}

/// Runs the work on threads of its own, as many as here, so that who asks to stop need not wait
/// for a step of the engine that cannot be stopped: it ends by itself, and is forgotten. What
/// goes wrong becomes one of our errors.
fn guarded(
    meshes: &[&Mesh],
    job: &Job,
    work: impl FnOnce(&[Operand], &Stop) -> EngineResult<Manifold> + Send + 'static,
) -> Result<Raw> {
    job.checkpoint(0.0)?;
    let name = meshes[0].name();
    let fail = |problem: String| Error::Pass {
        pass: "boolean",
        part: name.into(),
        problem,
        remedy: "repair or fuse the model first".into(),
    };
    let operands: Vec<Operand> = (0..).zip(meshes).map(|(i, m)| Operand::new(m, i)).collect();
    let pool = ThreadPoolBuilder::new()
        .num_threads(rayon::current_num_threads())
        .build()
        .map_err(|e| fail(format!("no thread could be started: {e}")))?;
    let stop = Stop::new();
    let (send, receive) = mpsc::sync_channel(1);
    pool.spawn({
        let stop = stop.clone();
        move || {
            // The engine is young: a panic of its own must not take the program down.
            let outcome = catch_unwind(AssertUnwindSafe(|| work(&operands, &stop)));
            // Nobody listens any more once the work was cancelled.
            let _ = send.send(outcome);
        }
    });
    let outcome = loop {
        match receive.recv_timeout(Duration::from_millis(20)) {
            Err(RecvTimeoutError::Timeout) if job.cancel.is_cancelled() => {
                stop.cancel();
                return Err(Error::Cancelled);
            }
            Err(RecvTimeoutError::Timeout) => {}
            Err(RecvTimeoutError::Disconnected) => return Err(fail("the engine vanished".into())),
            Ok(outcome) => break outcome,
        }
    };
    job.checkpoint(1.0)?;
    match outcome {
        Ok(Ok(m)) => bring_out(&m, name),
        Ok(Err(Status::Cancelled)) => Err(Error::Cancelled),
        Ok(Err(status)) => Err(fail(format!("the engine reports '{status}'"))),
        Err(_) => Err(fail("the engine broke down".into())),
    }
}

fn bring_out(m: &Manifold, name: &str) -> Result<Raw> {
    let out: MeshGLP<f64, u32> = m.get_mesh_glp(-1);
    let vertices = out.vert_properties.chunks_exact(3).map(Point::from_slice).collect();
    let triangles: Vec<[u32; 3]> =
        out.tri_verts.chunks_exact(3).map(|t| [t[0], t[1], t[2]]).collect();
    let mut sources = Vec::with_capacity(triangles.len());
    for (run, &operand) in out.run_original_id.iter().enumerate() {
        let facets = out.run_index[run] as usize / 3..out.run_index[run + 1] as usize / 3;
        sources.extend(out.face_id[facets].iter().map(|&facet| Source { operand, facet }));
    }
    Ok(Raw { mesh: Mesh::new(name, vertices, triangles)?, sources })
}
