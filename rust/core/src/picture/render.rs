//! A small renderer: parallel projection, a depth buffer finer than the picture, light that falls
//! from the upper left, and a line where one thing stands before another.

use super::{Picture, VENT_COLOUR};
use crate::mesh::{Mesh, Point, Pose, Vector};
use crate::part::Role;

/// Samples along the side of a pixel.
const FINE: usize = 3;
/// Empty rim, as a part of the longer side.
const RIM: f64 = 0.02;
/// Shades of a colour and degrees of opacity; with five colours they fill a palette.
const SHADES: usize = 12;
const COVERS: usize = 4;
/// Light on a face turned away from it, so that nothing is black.
const AMBIENT: f64 = 0.45;
/// Where a neighbour lies nearer by so much of the picture's size, a line is drawn.
const STEP: f64 = 0.012;
/// Brightness of that line.
const INK: f64 = 0.42;

/// What a surface is painted with.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Paint {
    Role(Role),
    Vent,
}

impl Paint {
    const ALL: [Paint; 5] = [
        Paint::Role(Role::Body),
        Paint::Role(Role::Lattice),
        Paint::Role(Role::Support),
        Paint::Role(Role::Raft),
        Paint::Vent,
    ];

    fn index(self) -> u8 {
        Paint::ALL.iter().position(|p| *p == self).unwrap_or(0) as u8
    }

    fn colour(self) -> [u8; 3] {
        match self {
            Paint::Role(role) => role.colour(),
            Paint::Vent => VENT_COLOUR,
        }
    }
}

/// The axes of the picture.
pub(super) struct Eye {
    right: Vector,
    up: Vector,
    /// Towards the eye.
    near: Vector,
    light: Vector,
}

impl Eye {
    pub(super) fn new(azimuth_deg: f64, elevation_deg: f64) -> Eye {
        let (sa, ca) = azimuth_deg.to_radians().sin_cos();
        let (se, ce) = elevation_deg.to_radians().sin_cos();
        let near = Vector::new(ce * ca, ce * sa, se);
        let right = Vector::new(-sa, ca, 0.0);
        let up = near.cross(&right);
        Eye { light: (near * 0.6 + up * 0.65 - right * 0.45).normalize(), right, up, near }
    }

    fn seen(&self, p: &Point) -> [f64; 3] {
        [self.right, self.up, self.near].map(|axis| axis.dot(&p.coords))
    }

    /// Brightness of a face, from its unit normal.
    fn brightness(&self, normal: &Vector) -> f64 {
        let lit = 0.8 * normal.dot(&self.light).max(0.0) + 0.2 * normal.dot(&self.near).max(0.0);
        AMBIENT + (1.0 - AMBIENT) * lit
    }
}

/// What one sample shows.
#[derive(Clone, Copy)]
struct Dot {
    depth: f32,
    paint: u8,
    bright: u8,
}

/// No surface has this paint.
const CLEAR: u8 = u8::MAX;

pub(super) struct Canvas<'e> {
    eye: &'e Eye,
    /// Picture coordinates of the upper left corner, mm.
    corner: [f64; 2],
    /// Samples a millimetre.
    scale: f64,
    width: usize,
    height: usize,
    samples: Vec<Dot>,
}

impl<'e> Canvas<'e> {
    /// A canvas around meshes, its longer side `size_px` pixels.
    pub(super) fn around(shown: &[(&Mesh, Pose, Paint)], eye: &'e Eye, size_px: u32) -> Canvas<'e> {
        let (mut low, mut high) = ([f64::INFINITY; 2], [f64::NEG_INFINITY; 2]);
        for (mesh, pose, _) in shown {
            for v in mesh.vertices() {
                let at = eye.seen(&(pose * v));
                for i in 0..2 {
                    low[i] = low[i].min(at[i]);
                    high[i] = high[i].max(at[i]);
                }
            }
        }
        let size = |i: usize| if high[i] > low[i] { high[i] - low[i] } else { 1e-3 };
        let longer = size(0).max(size(1)) * (1.0 + 2.0 * RIM);
        let scale = f64::from(size_px) * FINE as f64 / longer;
        let fit = |i: usize| {
            let pixels = ((size(i) + 2.0 * RIM * longer) * scale / FINE as f64).ceil() as usize;
            pixels.clamp(1, size_px as usize) * FINE
        };
        let (width, height) = (fit(0), fit(1));
        let middle = |i: usize| if high[i] > low[i] { 0.5 * (low[i] + high[i]) } else { 0.0 };
        Canvas {
            eye,
            corner: [
                middle(0) - 0.5 * width as f64 / scale,
                middle(1) + 0.5 * height as f64 / scale,
            ],
            scale,
            width,
            height,
            samples: vec![
                Dot { depth: f32::NEG_INFINITY, paint: CLEAR, bright: 0 };
                width * height
            ],
        }
    }

    /// Width of a pixel, mm.
    pub(super) fn pixel_mm(&self) -> f64 {
        FINE as f64 / self.scale
    }

    /// Draws the faces of a mesh that look towards the eye.
    pub(super) fn add(&mut self, mesh: &Mesh, pose: &Pose, paint: Paint) {
        let paint = paint.index();
        let seen: Vec<[f64; 3]> = mesh
            .vertices()
            .iter()
            .map(|v| {
                let [x, y, depth] = self.eye.seen(&(pose * v));
                [(x - self.corner[0]) * self.scale, (self.corner[1] - y) * self.scale, depth]
            })
            .collect();
        for (i, corners) in mesh.triangles().iter().enumerate() {
            let [a, b, c] = corners.map(|v| seen[v as usize]);
            // Twice the area on the canvas, whose y points down; a face turned away has the other
            // sign.
            let area = (c[0] - a[0]) * (b[1] - a[1]) - (b[0] - a[0]) * (c[1] - a[1]);
            if area <= 0.0 {
                continue;
            }
            let normal = pose * mesh.area_normal(i).normalize();
            let bright = (255.0 * self.eye.brightness(&normal)).round().min(255.0) as u8;
            self.fill([a, b, c], area, paint, bright);
        }
    }

    fn fill(&mut self, [a, b, c]: [[f64; 3]; 3], area: f64, paint: u8, bright: u8) {
        let range = |i: usize, end: usize| {
            let low = a[i].min(b[i]).min(c[i]).floor().max(0.0) as usize;
            let high = (a[i].max(b[i]).max(c[i]).ceil().max(0.0) as usize).min(end);
            low..high
        };
        // Weight of the corner opposite to an edge, at a sample.
        let weight = |p: [f64; 3], q: [f64; 3], x: f64, y: f64| {
            ((q[0] - x) * (p[1] - y) - (p[0] - x) * (q[1] - y)) / area
        };
        for row in range(1, self.height) {
            for column in range(0, self.width) {
                let (x, y) = (column as f64 + 0.5, row as f64 + 0.5);
                let (wa, wb, wc) = (weight(b, c, x, y), weight(c, a, x, y), weight(a, b, x, y));
                if wa < 0.0 || wb < 0.0 || wc < 0.0 {
                    continue;
                }
                let depth = (wa * a[2] + wb * b[2] + wc * c[2]) as f32;
                let sample = &mut self.samples[row * self.width + column];
                if depth > sample.depth {
                    *sample = Dot { depth, paint, bright };
                }
            }
        }
    }

    /// Whether a neighbour of a sample stands clearly before it, or a sample at the outline.
    fn is_line(&self, row: usize, column: usize, step: f32) -> bool {
        let this = self.samples[row * self.width + column];
        let near = [(0, 1), (2, 1), (1, 0), (1, 2)];
        near.iter().any(|(dr, dc)| {
            let (r, c) = (row + dr, column + dc);
            if r == 0 || c == 0 || r > self.height || c > self.width {
                return true;
            }
            let other = self.samples[(r - 1) * self.width + c - 1];
            other.paint == CLEAR || other.depth > this.depth + step
        })
    }

    pub(super) fn picture(&self) -> Picture {
        let (width, height) = (self.width / FINE, self.height / FINE);
        let step = (STEP * self.width.max(self.height) as f64 / self.scale) as f32;
        let mut pixels = Vec::with_capacity(width * height);
        for row in 0..height {
            for column in 0..width {
                let mut count = [0u32; Paint::ALL.len()];
                let mut bright = [0.0; Paint::ALL.len()];
                for (r, c) in (0..FINE * FINE).map(|i| (i / FINE, i % FINE)) {
                    let (r, c) = (row * FINE + r, column * FINE + c);
                    let sample = self.samples[r * self.width + c];
                    if sample.paint != CLEAR {
                        let ink = if self.is_line(r, c, step) { INK } else { 1.0 };
                        count[sample.paint as usize] += 1;
                        bright[sample.paint as usize] += f64::from(sample.bright) * ink;
                    }
                }
                pixels.push(index(&count, &bright));
            }
        }
        Picture { width_px: width as u32, height_px: height as u32, palette: palette(), pixels }
    }
}

/// Place in the palette of a pixel: the paint that most of its samples show, their mean
/// brightness, and how much of the pixel anything covers.
fn index(count: &[u32], bright: &[f64]) -> u8 {
    let all: u32 = count.iter().sum();
    let cover = (all as usize * COVERS).div_ceil(FINE * FINE);
    let most = (0..count.len()).rev().max_by_key(|&i| count[i]).unwrap_or(0);
    if cover == 0 {
        return 0;
    }
    let mean = bright[most] / f64::from(count[most]) / 255.0;
    let shade = ((mean * SHADES as f64) as usize).min(SHADES - 1);
    (1 + (most * SHADES + shade) * COVERS + cover - 1) as u8
}

fn palette() -> Vec<[u8; 4]> {
    let mut out = vec![[0; 4]];
    for paint in Paint::ALL {
        for shade in 0..SHADES {
            let bright = (shade as f64 + 0.5) / SHADES as f64;
            let [r, g, b] = paint.colour().map(|c| (f64::from(c) * bright).round() as u8);
            out.extend((1..=COVERS).map(|cover| [r, g, b, (cover * 255 / COVERS) as u8]));
        }
    }
    out
}
