//! The surface that is moved: offsets of facets along their normals, and what its vertices make of
//! them.

use crate::error::Result;
use crate::job::Job;
use crate::mesh::distance::{Meeting, Tree};
use crate::mesh::edges::Edges;
use crate::mesh::shells::Shells;
use crate::mesh::{Mesh, Point, Pose, Vector};
use nalgebra::Matrix3;
use rayon::prelude::*;
use std::collections::BTreeSet;

/// What a vertex may do.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Freedom {
    /// Go anywhere.
    Full,
    /// Go level: it is of a row of the foot, or on the plate.
    Level,
    /// Nothing.
    None,
}

/// Part of a vertex's facets' weight with which it goes with its neighbours: where its facets do not
/// say in which direction along them to go, it neither wanders off nor stays behind.
const FOLLOW: f64 = 0.03;
/// Times that vertices follow each other.
const SWEEPS: u32 = 40;
/// Least cosine between a facet's normal before and after.
const LEAST_TURN: f64 = 0.3;
/// Times that moves are evened out and held back where they would cross.
const RETREATS: u32 = 14;
/// What is left of such moves each time.
const LESS: f64 = 0.8;
/// Steps into the material to find a wall's other side; beyond, it counts as thick.
const LOOKS: u32 = 40;

/// What is asked of the moves.
pub(super) struct Leeway {
    /// No vertex goes farther, mm.
    pub(super) most_mm: f64,
    /// No wall is drawn thinner, mm.
    pub(super) least_wall_mm: f64,
    /// Below this height vertices go level, mm.
    pub(super) level_to_mm: f64,
}

/// A surface in plate coordinates as it was asked for, and how it may be moved.
pub(super) struct Movable {
    asked: Vec<Point>,
    triangles: Vec<[u32; 3]>,
    /// Unit normals; none of facets without area.
    normals: Vec<Vector>,
    /// Angle of each facet at each of its corners; none where the facet has no say.
    says: Vec<[f64; 3]>,
    freedom: Vec<Freedom>,
    /// Least and greatest offset of each facet, mm.
    reach: Vec<(f64, f64)>,
    /// Facets at each vertex: where its own begin, and facet and corner of each.
    starts: Vec<u32>,
    corners: Vec<(u32, u8)>,
    /// Neighbours of each vertex, nearer ones weighing more; weights add up to 1.
    around: Vec<Vec<(u32, f64)>>,
    shell: Vec<Option<u32>>,
    /// Facets of one shell that cross as it is.
    crossed: BTreeSet<(u32, u32)>,
    most_mm: f64,
}

/// A surface that was moved.
pub(super) struct Moved {
    /// Its vertices in plate coordinates.
    pub(super) vertices: Vec<Point>,
    /// Whether each lies where it was asked for.
    pub(super) stays: Vec<bool>,
    /// Vertices that were held back so that nothing crosses.
    pub(super) held_back: usize,
}

/// What draws a vertex: to its facets' planes, and after its neighbours.
struct Draw {
    inverse: Matrix3<f64>,
    towards: Vector,
    follow: f64,
}

impl Movable {
    /// `ledge` tells the facets of the foot that only join one row to the next, `fixed` those that
    /// stay where they are.
    pub(super) fn new(
        mesh: &Mesh,
        pose: &Pose,
        bounds: &Leeway,
        ledge: impl Fn(usize) -> bool,
        fixed: impl Fn(usize) -> bool,
        job: &Job,
    ) -> Result<Movable> {
        let mesh = mesh.transformed(pose);
        let (asked, triangles) = (mesh.vertices().to_vec(), mesh.triangles().to_vec());
        let level = |p: &Point| p.z <= bounds.level_to_mm;
        let mut freedom: Vec<Freedom> =
            asked.iter().map(|p| if level(p) { Freedom::Level } else { Freedom::Full }).collect();
        let mut starts = vec![0u32; asked.len() + 2];
        let (mut normals, mut says) = (Vec::new(), Vec::new());
        for (i, t) in triangles.iter().enumerate() {
            t.iter().for_each(|&v| starts[v as usize + 2] += 1);
            if fixed(i) {
                t.iter().for_each(|&v| freedom[v as usize] = Freedom::None);
            }
            normals.push(mesh.area_normal(i).try_normalize(0.0).unwrap_or_default());
            let c = mesh.corners(i);
            let angle = |k: usize| (c[(k + 1) % 3] - c[k]).angle(&(c[(k + 2) % 3] - c[k]));
            says.push(if ledge(i) { [0.0; 3] } else { std::array::from_fn(angle) });
        }
        for v in 2..starts.len() {
            starts[v] += starts[v - 1];
        }
        let mut corners = vec![(0, 0); 3 * triangles.len()];
        for (i, t) in triangles.iter().enumerate() {
            for (k, &v) in t.iter().enumerate() {
                let next = &mut starts[v as usize + 1];
                corners[*next as usize] = (i as u32, k as u8);
                *next += 1;
            }
        }
        starts.pop();
        let tree = Tree::of(&mesh);
        let thin = bounds.least_wall_mm + 2.0 * bounds.most_mm;
        let reach = (0..triangles.len()).into_par_iter().map(|i| {
            job.go_on()?;
            let wall = wall_mm(&tree, &mesh.middle(i), &normals[i], thin);
            let spare = wall.map_or(bounds.most_mm, |w| (w - bounds.least_wall_mm) / 2.0);
            Ok((-spare.clamp(0.0, bounds.most_mm), bounds.most_mm))
        });
        let reach = reach.collect::<Result<Vec<_>>>()?;
        let edges = Edges::of(asked.len(), &triangles);
        let shell = Shells::of(&triangles, &edges).of_facet;
        let mut around = vec![Vec::new(); asked.len()];
        // Rows of the foot do not follow each other over a ledge.
        let mut mute = vec![true; asked.len()];
        for (t, _) in triangles.iter().zip(&says).filter(|(_, w)| w[0] > 0.0) {
            t.iter().for_each(|&v| mute[v as usize] = false);
        }
        for e in edges.iter() {
            let told = e.sides.iter().any(|s| says[s.facet()][0] > 0.0);
            if !told && !mute[e.low as usize] && !mute[e.high as usize] {
                continue;
            }
            let near = 1.0 / (asked[e.high as usize] - asked[e.low as usize]).norm();
            if near.is_finite() {
                around[e.low as usize].push((e.high, near));
                around[e.high as usize].push((e.low, near));
            }
        }
        for near in &mut around {
            let sum: f64 = near.iter().map(|n| n.1).sum();
            near.iter_mut().for_each(|n| n.1 /= sum);
        }
        let mut out = Movable {
            asked,
            triangles,
            normals,
            says,
            freedom,
            reach,
            starts,
            corners,
            around,
            shell,
            crossed: BTreeSet::new(),
            most_mm: bounds.most_mm,
        };
        job.go_on()?;
        out.crossed = out.crossings(&out.asked);
        Ok(out)
    }

    /// A facet's corners as asked for.
    pub(super) fn corners(&self, facet: usize) -> [Point; 3] {
        self.triangles[facet].map(|v| self.asked[v as usize])
    }

    /// A facet's unit normal as asked for.
    pub(super) fn normal(&self, facet: usize) -> Vector {
        self.normals[facet]
    }

    /// Offset of each facet along its normal when the vertices lie elsewhere, mm.
    pub(super) fn offsets(&self, vertices: &[Point]) -> Vec<f64> {
        let one = |(t, n): (&[u32; 3], &Vector)| {
            let off = |v: &u32| (vertices[*v as usize] - self.asked[*v as usize]).dot(n);
            t.iter().map(off).sum::<f64>() / 3.0
        };
        self.triangles.iter().zip(&self.normals).map(one).collect()
    }

    /// Holds an offset within what the facet may be moved.
    pub(super) fn within(&self, facet: usize, offset: f64) -> f64 {
        let (least, most) = self.reach[facet];
        offset.clamp(least, most)
    }

    /// The surface with its facets at offsets, as near as its vertices come to it without crossing
    /// anew; none where that fails.
    pub(super) fn moved(&self, offsets: &[f64], job: &Job) -> Result<Option<Moved>> {
        let mut moves = self.moves(offsets, job)?;
        let mut held_back = BTreeSet::new();
        for retreat in 0..RETREATS {
            job.go_on()?;
            let vertices: Vec<Point> = self.asked.iter().zip(&moves).map(|(p, m)| p + m).collect();
            let mut wrong: BTreeSet<u32> = self.turned(&vertices).collect();
            for pair in self.crossings(&vertices).difference(&self.crossed) {
                wrong.extend([pair.0, pair.1]);
            }
            if wrong.is_empty() {
                let stays = moves.iter().map(|m| *m == Vector::zeros()).collect();
                return Ok(Some(Moved { vertices, stays, held_back: held_back.len() }));
            }
            let mut near: BTreeSet<u32> =
                wrong.iter().flat_map(|&f| self.triangles[f as usize]).collect();
            // Wider each time, and in the end not at all.
            for _ in 0..retreat / 4 {
                let around = near.iter().flat_map(|&v| &self.around[v as usize]).map(|n| n.0);
                near = around.chain(near.iter().copied()).collect();
            }
            let share = if retreat + 2 < RETREATS { LESS } else { 0.0 };
            let less = near.iter().map(|&v| (v as usize, self.with_neighbours(v as usize, &moves)));
            for (v, with) in less.collect::<Vec<_>>() {
                moves[v] = match self.freedom[v] {
                    Freedom::None => continue,
                    Freedom::Level => 0.5 * share * (moves[v] + Vector::new(with.x, with.y, 0.0)),
                    Freedom::Full => 0.5 * share * (moves[v] + with),
                };
                held_back.insert(v);
            }
        }
        Ok(None)
    }

    /// The mean of a vertex's neighbours' moves, nearer ones weighing more.
    fn with_neighbours(&self, vertex: usize, moves: &[Vector]) -> Vector {
        self.around[vertex].iter().map(|&(n, w)| moves[n as usize] * w).sum()
    }

    /// Where each vertex goes: nearest in the mean of its facets' angles to lying on each facet's
    /// plane at its offset, and along them with its neighbours.
    fn moves(&self, offsets: &[f64], job: &Job) -> Result<Vec<Vector>> {
        let draws: Vec<Draw> =
            (0..self.asked.len()).into_par_iter().map(|v| self.draw(v, offsets)).collect();
        let mut moves = vec![Vector::zeros(); draws.len()];
        for _ in 0..SWEEPS {
            job.go_on()?;
            for (v, draw) in draws.iter().enumerate() {
                let towards = draw.towards + draw.follow * self.with_neighbours(v, &moves);
                moves[v] = (draw.inverse * towards).cap_magnitude(self.most_mm);
            }
        }
        Ok(moves)
    }

    fn draw(&self, vertex: usize, offsets: &[f64]) -> Draw {
        let none = Draw { inverse: Matrix3::zeros(), towards: Vector::zeros(), follow: 0.0 };
        if self.freedom[vertex] == Freedom::None {
            return none;
        }
        let level = self.freedom[vertex] == Freedom::Level;
        let (mut sum, mut towards, mut weight) = (Matrix3::zeros(), Vector::zeros(), 0.0);
        for &(facet, corner) in
            &self.corners[self.starts[vertex] as usize..self.starts[vertex + 1] as usize]
        {
            let w = self.says[facet as usize][corner as usize];
            let (mut n, mut off) = (self.normals[facet as usize], offsets[facet as usize]);
            if level {
                // What looks up or down cannot be moved by going level.
                n.z = 0.0;
                let aside = n.norm();
                if aside < 0.2 {
                    continue;
                }
                (n, off) = (n / aside, off / aside);
            }
            sum += w * n * n.transpose();
            towards += w * off * n;
            weight += w;
        }
        let follow = if weight > 0.0 { FOLLOW * weight } else { 1.0 };
        let Some(mut inverse) = (sum + Matrix3::identity() * follow).try_inverse() else {
            return none;
        };
        if level {
            inverse[(2, 2)] = 0.0;
        }
        Draw { inverse, towards, follow }
    }

    /// Facets that turn too far.
    fn turned<'a>(&'a self, vertices: &'a [Point]) -> impl Iterator<Item = u32> + 'a {
        (0..self.triangles.len()).filter_map(|i| {
            let before = self.normals[i];
            if before == Vector::zeros() {
                return None;
            }
            let [a, b, c] = self.triangles[i].map(|v| vertices[v as usize]);
            let after = (b - a).cross(&(c - a));
            // The foot's rows lean over as far as layers differ.
            let level =
                self.triangles[i].iter().all(|&v| self.freedom[v as usize] == Freedom::Level);
            let least = if level { 0.0 } else { LEAST_TURN };
            (before.dot(&after) <= least * after.norm()).then_some(i as u32)
        })
    }

    /// Pairs of facets of one shell that pass through each other.
    fn crossings(&self, vertices: &[Point]) -> BTreeSet<(u32, u32)> {
        let corners = |t: &[u32; 3]| t.map(|v| vertices[v as usize]);
        let tree = Tree::new(self.triangles.iter().map(corners).collect());
        let apart = |i: u32, j: u32| {
            let (s, t) = (&self.triangles[i as usize], &self.triangles[j as usize]);
            let shared = s.iter().filter(|v| t.contains(v)).count();
            shared > 1 || self.shell[i as usize] != self.shell[j as usize]
        };
        let meetings = tree.meetings(apart).into_iter();
        meetings.filter(|m| m.2 == Meeting::Overlap).map(|(i, j, _)| (i, j)).collect()
    }
}

/// How thick the material is behind a place with an outward normal, mm; none from `most_mm` on, or
/// where a look along another wall does not tell.
fn wall_mm(tree: &Tree, at: &Point, normal: &Vector, most_mm: f64) -> Option<f64> {
    /// Nearer than this is another side, mm: a tenth of the finest pixel.
    const THERE_MM: f64 = 5e-4;
    let mut depth = 4.0 * THERE_MM;
    for _ in 0..LOOKS {
        let clear = tree.nearest(&(at - normal * depth), most_mm)?.distance_mm;
        if clear < THERE_MM {
            return Some(depth);
        }
        depth += clear;
        if depth >= most_mm {
            return None;
        }
    }
    None
}
