//! Watertight pieces for a support structure: a rod for each member, a cone for each neck and foot.
//!
//! The pieces overlap where they meet; the layers fuse them by winding. Every piece is one lathe
//! profile with few sides, of the same area as the round bar that mechanics counts with.

use crate::mesh::{Mesh, Point, Vector};
use crate::part::{Supports, Tip};
use std::f64::consts::TAU;

/// Sides of a rod.
const SIDES: usize = 8;

/// How feet and necks are shaped.
#[derive(Clone, Copy, Debug)]
pub(super) struct Shape {
    /// How deep a neck reaches into the part, mm.
    pub(super) embed_mm: f64,
    /// Diameter of a foot, mm.
    pub(super) foot_mm: f64,
    /// Height of the cone over a foot, mm.
    pub(super) flare_mm: f64,
}

/// Builds [`Supports::mesh`] from the structure.
pub(super) fn mesh(s: &Supports, shape: &Shape) -> Mesh {
    let mut out = Pieces::default();
    let mut widest = vec![0.0_f64; s.nodes.len()];
    for m in &s.members {
        for node in [m.a, m.b] {
            widest[node as usize] = widest[node as usize].max(m.diameter_mm);
        }
        let (a, b) = (s.nodes[m.a as usize], s.nodes[m.b as usize]);
        let r = m.diameter_mm / 2.0;
        out.rod(&a, &b, &[(-0.6 * r, 0.0), (0.0, r)], &[(0.0, r), (0.6 * r, 0.0)]);
    }
    for t in s.tips.iter().chain(&s.landings) {
        // Two necks may meet without a column between.
        let wide = widest[t.node as usize].max(t.diameter_mm);
        out.neck(t, &s.nodes[t.node as usize], wide / 2.0, shape.embed_mm);
    }
    let landed: Vec<u32> = s.landings.iter().map(|t| t.node).collect();
    for &foot in s.feet.iter().filter(|f| !landed.contains(f)) {
        // Upwards along the column that stands there, so that a leaning one flares too.
        let Some(m) = s.members.iter().find(|m| m.a == foot || m.b == foot) else { continue };
        let (p, q) = (s.nodes[foot as usize], s.nodes[(m.a + m.b - foot) as usize]);
        let r = m.diameter_mm / 2.0;
        let along = q - p;
        let top = p + along * (shape.flare_mm / along.norm().max(shape.flare_mm));
        let wide = (shape.foot_mm / 2.0).max(r);
        out.rod(&p, &top, &[(-EMBED_FOOT_MM, wide), (0.0, wide)], &[(0.0, r)]);
    }
    Mesh::new("supports", out.vertices, out.triangles).expect("finite points")
}

/// How far a foot reaches into what it stands on, mm.
pub(super) const EMBED_FOOT_MM: f64 = 0.1;

#[derive(Default)]
struct Pieces {
    vertices: Vec<Point>,
    triangles: Vec<[u32; 3]>,
}

impl Pieces {
    fn neck(&mut self, t: &Tip, node: &Point, wide: f64, embed: f64) {
        let r = t.diameter_mm / 2.0;
        self.rod(
            node,
            &t.contact,
            &[(-0.6 * wide, 0.0), (0.0, wide)],
            &[(0.0, r), (embed - 0.5 * r, r), (embed, 0.0)],
        );
    }

    /// A solid of revolution about a–b. Profiles are (distance along the axis beyond the end,
    /// radius): `low` from a's outside inwards, measured from a; `high` from b outwards.
    fn rod(&mut self, a: &Point, b: &Point, low: &[(f64, f64)], high: &[(f64, f64)]) {
        let length = (b - a).norm();
        let Some(axis) = (b - a).try_normalize(1e-9) else { return };
        // Any two directions across; the one least along the axis is a safe start.
        let start = if axis.z.abs() < 0.9 { Vector::z() } else { Vector::x() };
        let u = axis.cross(&start).normalize();
        let v = axis.cross(&u);
        // A polygon with the circle's area.
        let even = (TAU / (SIDES as f64 * (TAU / SIDES as f64).sin())).sqrt();
        let stations =
            low.iter().map(|&(t, r)| (t, r)).chain(high.iter().map(|&(t, r)| (length + t, r)));
        let mut before: Option<Ring> = None;
        for (t, r) in stations {
            let here = self.ring(a + axis * t, u, v, r * even);
            match before {
                None => self.cap(&here, false),
                Some(last) => self.side(&last, &here),
            }
            before = Some(here);
        }
        if let Some(last) = before {
            self.cap(&last, true);
        }
    }

    fn ring(&mut self, c: Point, u: Vector, v: Vector, r: f64) -> Ring {
        let first = self.vertices.len() as u32;
        if r <= 0.0 {
            self.vertices.push(c);
            return Ring { first, count: 1 };
        }
        for i in 0..SIDES {
            let (sin, cos) = (TAU * i as f64 / SIDES as f64).sin_cos();
            self.vertices.push(c + u * (r * cos) + v * (r * sin));
        }
        Ring { first, count: SIDES as u32 }
    }

    fn side(&mut self, a: &Ring, b: &Ring) {
        for i in 0..SIDES as u32 {
            let j = (i + 1) % SIDES as u32;
            let (a0, a1) = (a.first + i % a.count, a.first + j % a.count);
            let (b0, b1) = (b.first + i % b.count, b.first + j % b.count);
            if a.count > 1 {
                self.triangles.push([a0, a1, b1]);
            }
            if b.count > 1 {
                self.triangles.push([a0, b1, b0]);
            }
        }
    }

    /// Closes an end that is no point; `up` at the far end.
    fn cap(&mut self, r: &Ring, up: bool) {
        for i in 1..r.count.saturating_sub(1) {
            let (p, q) = (r.first + i, r.first + i + 1);
            self.triangles.push(if up { [r.first, p, q] } else { [r.first, q, p] });
        }
    }
}

struct Ring {
    first: u32,
    count: u32,
}
