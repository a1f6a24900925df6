//! Watertight pieces for a support structure: a rod for each member, a cone for each neck and foot.
//!
//! The pieces overlap where they meet; the layers fuse them by winding. Every piece has few sides,
//! and the area of the round bar that mechanics counts with. The ends of rods are level: so the
//! lowest layer of a leaning rod begins on its carrier as a whole, not with an edge beside it.

use super::probe::Probe;
use crate::mesh::{Mesh, Point, Vector};
use crate::part::{Supports, Tip};
use crate::structure::neck_mm;
use std::f64::consts::TAU;

/// Sides of a rod.
const SIDES: usize = 8;

/// How far pieces reach into each other and into the base, mm.
const OVERLAP_MM: f64 = 0.1;

/// Builds [`Supports::mesh`] from the structure; necks reach `embed_mm` into the part, but no farther
/// than it is thick there.
pub(super) fn mesh(s: &Supports, embed_mm: f64, probe: &Probe) -> Mesh {
    let mut out = Pieces::default();
    let mut widest = vec![0.0_f64; s.nodes.len()];
    for m in &s.members {
        for node in [m.a, m.b] {
            widest[node as usize] = widest[node as usize].max(m.diameter_mm);
        }
        let (a, b) = (s.nodes[m.a as usize], s.nodes[m.b as usize]);
        let (low, high) = if a.z < b.z { (a, b) } else { (b, a) };
        out.rod(&low, &high, m.diameter_mm / 2.0, m.diameter_mm / 2.0);
    }
    // Two necks may meet without a column between.
    let wide = |t: &Tip| neck_mm(t.diameter_mm, widest[t.node as usize]) / 2.0;
    for t in &s.tips {
        let node = &s.nodes[t.node as usize];
        out.neck(t, node, wide(t), embed_mm.min(thick_mm(t, node, embed_mm, probe)));
    }
    for t in &s.landings {
        let node = &s.nodes[t.node as usize];
        let deep = deep_mm(t, node, embed_mm);
        out.stand(t, node, wide(t), deep.min(thick_mm(t, node, deep, probe)));
    }
    let landed: Vec<u32> = s.landings.iter().map(|t| t.node).collect();
    for &foot in s.feet.iter().filter(|f| !landed.contains(f)) {
        // Upwards along the column that stands there, so that a leaning one flares too.
        let Some(m) = s.members.iter().find(|m| m.a == foot || m.b == foot) else { continue };
        let (p, q) = (s.nodes[foot as usize], s.nodes[(m.a + m.b - foot) as usize]);
        let (d, along) = (m.diameter_mm, q - p);
        let top = p + along * (d / along.norm().max(d));
        out.rod(&p, &top, d, d / 2.0);
    }
    Mesh::new("supports", out.vertices, out.triangles).expect("finite points")
}

/// Part of a standing neck's depth that keeps its full width, at least.
const STRAIGHT: f64 = 0.1;

/// How deep a neck that stands on the part reaches along its axis: so far that all of its width is
/// inside, then at least `embed_mm`, and so much that its point is its lowest place even if it
/// leans.
pub(super) fn deep_mm(t: &Tip, node: &Point, embed_mm: f64) -> f64 {
    let way = (t.contact - node).normalize();
    let r = t.diameter_mm / 2.0;
    let cos = (-way.dot(&t.normal)).clamp(0.5, 1.0);
    let sunk = r * (1.0 - cos * cos).sqrt() / cos;
    sunk + embed_mm.max(r * flatness(&way) / (1.0 - STRAIGHT))
}

/// Run over rise of a way.
fn flatness(way: &Vector) -> f64 {
    way.x.hypot(way.y) / way.z.abs().max(1e-9)
}

/// How deep the part is where a neck stands on it, mm, less a tenth so that the neck does not come
/// out on the other side; at most twice `deep_mm`.
fn thick_mm(t: &Tip, node: &Point, deep_mm: f64, probe: &Probe) -> f64 {
    const SKIN: f64 = 1e-3; // beyond the facet on which it stands, mm
    let way = (t.contact - node).normalize();
    let from = t.contact + way * SKIN;
    let out = probe.ray(from, &way, 2.0 * deep_mm);
    out.map_or(2.0 * deep_mm, |hit| 0.9 * (hit.place - t.contact).norm())
}

#[derive(Default)]
struct Pieces {
    vertices: Vec<Point>,
    triangles: Vec<[u32; 3]>,
}

impl Pieces {
    /// A bar or cone from one height to another, ends level and a little longer.
    fn rod(&mut self, low: &Point, high: &Point, r_low: f64, r_high: f64) {
        let Some(way) = (high - low).try_normalize(1e-9) else { return };
        let over = way * OVERLAP_MM;
        let a = self.level(low - over, &way, r_low);
        let b = self.level(high + over, &way, r_high);
        self.close(&[a, b]);
    }

    /// A neck from its column up to the part, ending `embed` inside.
    fn neck(&mut self, t: &Tip, node: &Point, wide: f64, embed: f64) {
        let Some(way) = (t.contact - node).try_normalize(1e-9) else { return };
        let r = t.diameter_mm / 2.0;
        let rings = [
            self.level(node - way * OVERLAP_MM, &way, wide),
            self.across(t.contact, &way, r),
            self.across(t.contact + way * (embed - 0.5 * r).max(0.5 * embed), &way, r),
            self.point(t.contact + way * embed),
        ];
        self.close(&rings);
    }

    /// A neck from its column down into the part. Its point is the lowest place of it, so whatever
    /// of it shows beside the part hangs together with what begins inside.
    fn stand(&mut self, t: &Tip, node: &Point, wide: f64, deep: f64) {
        let Some(way) = (t.contact - node).try_normalize(1e-9) else { return };
        let flat = flatness(&way);
        // On something thin there is room only for a blunter point of a thinner neck.
        let r = (t.diameter_mm / 2.0).min((1.0 - STRAIGHT) * deep / flat.max(1e-9));
        let straight = (deep - r * flat.max(0.5)).max(STRAIGHT * deep);
        let rings = [
            self.level(node - way * OVERLAP_MM, &way, wide),
            self.across(t.contact, &way, r),
            self.across(t.contact + way * straight, &way, r),
            self.point(t.contact + way * deep),
        ];
        self.close(&rings);
    }

    /// The level section of a round bar along `way`: an ellipse, longer the flatter it leans.
    fn level(&mut self, c: Point, way: &Vector, r: f64) -> Ring {
        let flat = way.x.hypot(way.y);
        let lean =
            if flat > 1e-9 { Vector::new(way.x / flat, way.y / flat, 0.0) } else { Vector::x() };
        let side = Vector::new(-lean.y, lean.x, 0.0);
        // Nearly flat bars get no endless ellipse.
        let (u, v) = (lean * (1.0 / way.z.abs().max(0.5)), side);
        // Seen along the way, rings turn alike whether the bar rises or falls.
        let v = if way.z < 0.0 { -v } else { v };
        self.ring(c, u, v, r)
    }

    fn across(&mut self, c: Point, way: &Vector, r: f64) -> Ring {
        let flat = way.x.hypot(way.y);
        let lean =
            if flat > 1e-9 { Vector::new(way.x / flat, way.y / flat, 0.0) } else { Vector::x() };
        // The same start as a level ring's, so that the sides between them do not twist.
        let v = way.cross(&lean).normalize();
        let u = v.cross(way);
        self.ring(c, u, v, r)
    }

    /// A polygon with the area of the ellipse of semi-axes r·|u| and r·|v|.
    fn ring(&mut self, c: Point, u: Vector, v: Vector, r: f64) -> Ring {
        let even = (TAU / (SIDES as f64 * (TAU / SIDES as f64).sin())).sqrt() * r;
        let first = self.vertices.len() as u32;
        for i in 0..SIDES {
            let (sin, cos) = (TAU * i as f64 / SIDES as f64).sin_cos();
            self.vertices.push(c + u * (even * cos) + v * (even * sin));
        }
        Ring { first, count: SIDES as u32 }
    }

    fn point(&mut self, p: Point) -> Ring {
        self.vertices.push(p);
        Ring { first: self.vertices.len() as u32 - 1, count: 1 }
    }

    /// Sides between rings, caps on the first and last.
    fn close(&mut self, rings: &[Ring]) {
        for pair in rings.windows(2) {
            self.side(&pair[0], &pair[1]);
        }
        self.cap(&rings[0], false);
        self.cap(&rings[rings.len() - 1], true);
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

    /// Closes an end that is no point; `far` at the end of the way.
    fn cap(&mut self, r: &Ring, far: bool) {
        for i in 1..r.count.saturating_sub(1) {
            let (p, q) = (r.first + i, r.first + i + 1);
            self.triangles.push(if far { [r.first, p, q] } else { [r.first, q, p] });
        }
    }
}

#[derive(Clone, Copy)]
struct Ring {
    first: u32,
    count: u32,
}
