//! Triangle meshes: what is read from files ([`Mesh`]) and what is proven printable ([`Solid`]).

pub mod boolean;
pub mod decimate;
pub mod distance;
pub(crate) mod edges;
pub(crate) mod frame;
pub mod health;
pub mod io;
pub mod iso;
pub mod measure;
pub(crate) mod polygon;
pub(crate) mod rebuild;
pub mod select;
pub mod shapes;
pub(crate) mod shells;
mod solid;
mod weld;
pub mod winding;

pub use solid::Solid;

use crate::error::{Error, Result};
use nalgebra::{Isometry3, Point3, Vector3};
use serde::{Deserialize, Serialize};
use std::collections::HashMap;

/// A point in millimetres.
pub type Point = Point3<f64>;
/// A vector in millimetres (or a pure direction).
pub type Vector = Vector3<f64>;
/// Rotation followed by translation, millimetres.
pub type Pose = Isometry3<f64>;

/// Axis-aligned box in millimetres.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Bounds {
    /// Least corner.
    pub min: Point,
    /// Greatest corner.
    pub max: Point,
}

impl Bounds {
    /// The box that holds nothing; growing it by a point gives that point.
    pub const EMPTY: Bounds = Bounds {
        min: Point::new(f64::INFINITY, f64::INFINITY, f64::INFINITY),
        max: Point::new(f64::NEG_INFINITY, f64::NEG_INFINITY, f64::NEG_INFINITY),
    };

    /// Smallest box around the points; [`Bounds::EMPTY`] for none.
    pub fn of<'a>(points: impl IntoIterator<Item = &'a Point>) -> Bounds {
        points.into_iter().fold(Bounds::EMPTY, |b, p| b.with(p))
    }

    /// Smallest box around this one and a point.
    pub fn with(&self, p: &Point) -> Bounds {
        // Coordinates are finite, so plain comparisons do; they compile to single instructions.
        let low = |a: f64, b: f64| if b < a { b } else { a };
        let high = |a: f64, b: f64| if b > a { b } else { a };
        Bounds {
            min: self.min.coords.zip_map(&p.coords, low).into(),
            max: self.max.coords.zip_map(&p.coords, high).into(),
        }
    }

    /// Smallest box around both.
    pub fn union(&self, other: &Bounds) -> Bounds {
        Bounds { min: self.min.inf(&other.min), max: self.max.sup(&other.max) }
    }

    /// Edge lengths (x, y, z); zero for the empty box.
    pub fn size(&self) -> Vector {
        if self.is_empty() { Vector::zeros() } else { self.max - self.min }
    }

    /// Centre of the box.
    pub fn center(&self) -> Point {
        nalgebra::center(&self.min, &self.max)
    }

    /// Whether the boxes have a point in common.
    pub fn meets(&self, other: &Bounds) -> bool {
        (0..3).all(|a| self.min[a] <= other.max[a] && other.min[a] <= self.max[a])
    }

    /// Whether the box holds nothing.
    pub fn is_empty(&self) -> bool {
        self.min.x > self.max.x
    }
}

/// Any triangles: a vertex list (mm) and index triples. Coordinates are finite and indices in
/// range; nothing else is promised. Counter-clockwise seen from outside is the outward side.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(try_from = "RawMesh", into = "RawMesh")]
pub struct Mesh {
    name: String,
    vertices: Vec<Point>,
    triangles: Vec<[u32; 3]>,
    notes: Vec<String>,
}

#[derive(Serialize, Deserialize)]
struct RawMesh {
    name: String,
    vertices: Vec<Point>,
    triangles: Vec<[u32; 3]>,
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    notes: Vec<String>,
}

impl TryFrom<RawMesh> for Mesh {
    type Error = Error;
    fn try_from(raw: RawMesh) -> Result<Mesh> {
        Ok(Mesh::new(raw.name, raw.vertices, raw.triangles)?.noted(raw.notes))
    }
}

impl From<Mesh> for RawMesh {
    fn from(m: Mesh) -> RawMesh {
        RawMesh { name: m.name, vertices: m.vertices, triangles: m.triangles, notes: m.notes }
    }
}

impl Mesh {
    /// Builds a mesh from vertices (mm) and triangles.
    ///
    /// # Errors
    /// [`Error::Mesh`] when a coordinate is not finite, an index points past the vertices, or
    /// there are more than `u32::MAX` vertices or a sixth as many triangles.
    pub fn new(
        name: impl Into<String>,
        vertices: Vec<Point>,
        triangles: Vec<[u32; 3]>,
    ) -> Result<Mesh> {
        let name = name.into();
        let fail = |problem: String, remedy: &str| {
            Err(Error::Mesh { name: name.clone(), problem, remedy: remedy.into() })
        };
        if u32::try_from(vertices.len()).is_err() {
            return fail(format!("{} vertices", vertices.len()), "split the model");
        }
        if let Some(i) = vertices.iter().position(|v| !v.coords.iter().all(|c| c.is_finite())) {
            return fail(
                format!("vertex {i} has a coordinate that is not a finite number"),
                "export the model again",
            );
        }
        if triangles.len() > edges::MAX_TRIANGLES {
            return fail(format!("{} triangles", triangles.len()), "split the model");
        }
        let n = vertices.len() as u32;
        if let Some(i) = triangles.iter().position(|t| t.iter().any(|&v| v >= n)) {
            return fail(
                format!("triangle {i} refers to vertex {:?} of {n}", triangles[i]),
                "export the model again",
            );
        }
        Ok(Mesh { name, vertices, triangles, notes: Vec::new() })
    }

    /// Name of the model.
    pub fn name(&self) -> &str {
        &self.name
    }

    /// The same mesh under another name.
    pub fn renamed(mut self, name: impl Into<String>) -> Mesh {
        self.name = name.into();
        self
    }

    /// What its file holds beside it or got wrong, in sentences: repair hands them on as findings.
    pub fn notes(&self) -> &[String] {
        &self.notes
    }

    /// The same mesh with more notes.
    fn noted(mut self, notes: impl IntoIterator<Item = String>) -> Mesh {
        self.notes.extend(notes);
        self
    }

    /// Vertices in mm.
    pub fn vertices(&self) -> &[Point] {
        &self.vertices
    }

    /// Index triples into [`Mesh::vertices`].
    pub fn triangles(&self) -> &[[u32; 3]] {
        &self.triangles
    }

    /// Name, vertices and triangles, without a copy.
    pub fn into_parts(self) -> (String, Vec<Point>, Vec<[u32; 3]>) {
        (self.name, self.vertices, self.triangles)
    }

    /// Corners of triangle `i`.
    ///
    /// # Panics
    /// When `i` is not a triangle of this mesh.
    pub fn corners(&self, i: usize) -> [Point; 3] {
        self.triangles[i].map(|v| self.vertices[v as usize])
    }

    /// Centroid of triangle `i`.
    pub(crate) fn middle(&self, i: usize) -> Point {
        let [a, b, c] = self.corners(i);
        Point::from((a.coords + b.coords + c.coords) / 3.0)
    }

    /// Twice-area normal of triangle `i`: direction outward, length twice the area in mm².
    ///
    /// # Panics
    /// When `i` is not a triangle of this mesh.
    pub fn area_normal(&self, i: usize) -> Vector {
        let [a, b, c] = self.corners(i);
        (b - a).cross(&(c - a))
    }

    /// Smallest axis-aligned box around the vertices.
    pub fn bounds(&self) -> Bounds {
        // Two boxes at once: each step waits for the one before it.
        let (pairs, last) = self.vertices.as_chunks::<2>();
        let (a, b) = pairs
            .iter()
            .fold((Bounds::EMPTY, Bounds::of(last)), |(a, b), [p, q]| (a.with(p), b.with(q)));
        a.union(&b)
    }

    /// Smallest axis-aligned box around the vertices once moved by `pose`.
    pub fn bounds_at(&self, pose: &Pose) -> Bounds {
        self.vertices.iter().fold(Bounds::EMPTY, |b, v| b.with(&(pose * v)))
    }

    /// The mesh rotated and moved.
    pub fn transformed(&self, pose: &Pose) -> Mesh {
        Mesh {
            name: self.name.clone(),
            vertices: self.vertices.iter().map(|v| pose * v).collect(),
            triangles: self.triangles.clone(),
            notes: self.notes.clone(),
        }
    }

    /// The mesh scaled about the origin, for instance 25.4 for a model in inches.
    ///
    /// # Errors
    /// [`Error::Value`] when the factor is not positive or the result would not be finite.
    pub fn scaled(&self, factor: f64) -> Result<Mesh> {
        crate::error::check_range("scale", factor, 1e-9, 1e9, "")?;
        let vertices = self.vertices.iter().map(|v| v * factor).collect();
        Ok(Mesh::new(self.name.clone(), vertices, self.triangles.clone())?
            .noted(self.notes.iter().cloned()))
    }

    /// The same surface seen from its other side.
    pub fn flipped(&self) -> Mesh {
        let triangles = self.triangles.iter().map(|&[a, b, c]| [a, c, b]).collect();
        Mesh { triangles, ..self.clone() }
    }

    /// Some of the triangles, over vertices of their own, numbered as they are met.
    pub(crate) fn piece(&self, facets: &[u32]) -> Mesh {
        let mut number: HashMap<u32, u32> = HashMap::new();
        let mut vertices = Vec::new();
        let mut own = |v: u32| {
            *number.entry(v).or_insert_with(|| {
                vertices.push(self.vertices[v as usize]);
                vertices.len() as u32 - 1
            })
        };
        let triangles = facets.iter().map(|&f| self.triangles[f as usize].map(&mut own)).collect();
        Mesh { name: self.name.clone(), vertices, triangles, notes: self.notes.clone() }
    }

    /// All triangles of several meshes in one, unwelded, in the order given.
    pub fn concat<'a>(name: impl Into<String>, meshes: impl IntoIterator<Item = &'a Mesh>) -> Mesh {
        let mut out = Mesh { name: name.into(), ..Mesh::default() };
        for m in meshes {
            let base = out.vertices.len() as u32;
            let new =
                m.notes.iter().filter(|n| !out.notes.contains(n)).cloned().collect::<Vec<_>>();
            out.notes.extend(new);
            out.vertices.extend_from_slice(&m.vertices);
            out.triangles.extend(m.triangles.iter().map(|t| t.map(|v| v + base)));
        }
        out
    }
}
