//! What is wrong with a mesh, counted and placed.

use super::orient::{Kind, Patches, judge, turn};
use super::{across, holes, is_flat, squares};
use crate::mesh::edges::{Edges, Side, is_collapsed};
use crate::mesh::shells::Shells;
use crate::mesh::{Bounds, Mesh, Point};
use serde::{Deserialize, Serialize};

/// Most places that are kept of each kind of defect.
const PLACES: usize = 8;

/// How often a defect occurs, and where it is worst.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Defects {
    /// How many there are.
    pub count: usize,
    /// Where the largest few are, largest first, mm.
    pub places: Vec<Point>,
    /// How large those are: length of the edge, longest edge of the facet or of the shell's box,
    /// mm.
    pub sizes_mm: Vec<f64>,
}

impl Defects {
    fn add(&mut self, size_mm: f64, place: impl FnOnce() -> Point) {
        self.count += 1;
        let at = self.sizes_mm.partition_point(|s| *s >= size_mm);
        if at < PLACES {
            self.sizes_mm.insert(at, size_mm);
            self.places.insert(at, place());
            self.sizes_mm.truncate(PLACES);
            self.places.truncate(PLACES);
        }
    }
}

/// A ring along which facets are missing.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Hole {
    /// How many edges it has.
    pub edges: usize,
    /// Its length, mm.
    pub length_mm: f64,
    /// Longest edge of the box around it, mm.
    pub span_mm: f64,
    /// Centre of the box around it, mm.
    pub place: Point,
}

/// What is wrong with a mesh. A mesh without open, crowded or clashing edges and without shells
/// that are inside out is ready to be a [`Solid`](crate::Solid).
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Health {
    /// Triangles of the mesh.
    pub triangles: usize,
    /// Vertices of the mesh.
    pub vertices: usize,
    /// Whether along every edge as many facets run one way as the other.
    pub closed: bool,
    /// Edges with one facet.
    pub open_edges: Defects,
    /// Edges with more than two facets.
    pub crowded_edges: Defects,
    /// Edges whose two facets run the same way, so that one faces the wrong way.
    pub clashing_edges: Defects,
    /// Where a surface with only one side meets itself the wrong way round, if there is one.
    pub one_sided: Option<Point>,
    /// Facets that face against most of the surface they hang together with.
    pub turned_facets: Defects,
    /// Facets with the same corners as an earlier one, in either sense.
    pub doubled_facets: Defects,
    /// Facets with a repeated corner or less than ten nanometres high.
    pub flat_facets: Defects,
    /// Pieces that hang together by edges, two or more facets to an edge.
    pub shells: usize,
    /// Closed shells that face inward inside a body.
    pub cavities: usize,
    /// Shells that do not close by themselves.
    pub open_shells: Defects,
    /// Closed shells to be turned over.
    pub inside_out_shells: Defects,
    /// Closed shells that enclose nothing, flat to a micrometre.
    pub slivers: Defects,
    /// Rings along which facets are missing.
    pub holes: usize,
    /// The widest of them, widest first.
    pub widest_holes: Vec<Hole>,
}

/// Places named of each kind of defect in one sentence.
const NAMED: usize = 3;

impl Health {
    /// Every kind of defect with its count and its worst places, in words; empty for a sound mesh.
    pub fn summary(&self) -> String {
        let mut said: Vec<String> = Vec::new();
        if self.holes > 0 {
            let widest = self.widest_holes.iter().take(NAMED).map(|h| {
                format!("{:.3} mm wide ({} edges) near {}", h.span_mm, h.edges, show(&h.place))
            });
            said.push(format!("holes: {}, {}", self.holes, widest.collect::<Vec<_>>().join(", ")));
        }
        said.extend(
            self.one_sided.iter().map(|p| {
                format!("a surface with only one side, which meets itself near {}", show(p))
            }),
        );
        for (what, defects) in [
            ("edges with more than two facets", &self.crowded_edges),
            ("edges whose facets face against each other", &self.clashing_edges),
            ("facets that face the wrong way", &self.turned_facets),
            ("doubled facets", &self.doubled_facets),
            ("facets without area", &self.flat_facets),
            ("shells that do not close", &self.open_shells),
            ("shells that are inside out", &self.inside_out_shells),
            ("shells without thickness", &self.slivers),
        ] {
            if defects.count > 0 {
                let places: Vec<String> = defects.places.iter().take(NAMED).map(show).collect();
                said.push(format!("{what}: {}, near {}", defects.count, places.join(", ")));
            }
        }
        said.join("; ")
    }

    /// Whether a filling of its holes would make it close.
    pub(super) fn lacks_only_fillings(&self) -> bool {
        self.holes > 0 && self.one_sided.is_none() && self.crowded_edges.count == 0
    }
}

/// A place in words.
pub(super) fn show(p: &Point) -> String {
    format!("({:.3}, {:.3}, {:.3})", p.x, p.y, p.z)
}

/// Looks a mesh over, changing nothing. Vertices must have been welded, as reading does.
pub fn diagnose(mesh: &Mesh) -> Health {
    let edges = Edges::of(mesh.vertices().len(), mesh.triangles());
    let mut health = Health {
        triangles: mesh.triangles().len(),
        vertices: mesh.vertices().len(),
        shells: Shells::of(mesh.triangles(), &edges).count(),
        closed: true,
        ..Health::default()
    };
    look_at_edges(mesh, &edges, &mut health);
    look_at_facets(mesh, &edges, &mut health);

    let patches = Patches::of(mesh.triangles(), &edges);
    health.one_sided = patches.twist.map(|ends| between(mesh, ends));
    for &f in &patches.turned {
        health.turned_facets.add(longest(mesh, f), || mesh.middle(f as usize));
    }
    if patches.turned.is_empty() {
        look_at_shells(mesh, &edges, &patches, &mut health);
    } else {
        let mut alike = mesh.clone();
        turn(&mut alike.triangles, &patches.turned);
        let edges = Edges::of(alike.vertices.len(), &alike.triangles);
        look_at_shells(&alike, &edges, &patches, &mut health);
    }
    health
}

/// Length of a facet's longest edge, mm.
fn longest(mesh: &Mesh, facet: u32) -> f64 {
    squares(mesh.corners(facet as usize)).1.sqrt()
}

fn between(mesh: &Mesh, ends: [u32; 2]) -> Point {
    let [a, b] = ends.map(|v| mesh.vertices()[v as usize]);
    nalgebra::center(&a, &b)
}

fn look_at_edges(mesh: &Mesh, edges: &Edges, health: &mut Health) {
    for edge in edges.iter() {
        let balanced = edge.balance() == 0;
        health.closed &= balanced;
        let defects = match edge.sides.len() {
            1 => &mut health.open_edges,
            2 if balanced => continue,
            2 => &mut health.clashing_edges,
            _ => &mut health.crowded_edges,
        };
        let [a, b] = [edge.low, edge.high].map(|v| mesh.vertices()[v as usize]);
        defects.add((b - a).norm(), || nalgebra::center(&a, &b));
    }
}

fn look_at_facets(mesh: &Mesh, edges: &Edges, health: &mut Health) {
    for group in doubled(mesh.triangles(), edges) {
        for &f in &group[1..] {
            health.doubled_facets.add(longest(mesh, f), || mesh.middle(f as usize));
        }
    }
    for (f, t) in mesh.triangles().iter().enumerate() {
        if is_collapsed(t) || is_flat(mesh.vertices(), t) {
            health.flat_facets.add(longest(mesh, f as u32), || mesh.middle(f));
        }
    }
}

/// Groups of facets with the same three corners, each by rising number.
pub(super) fn doubled(triangles: &[[u32; 3]], edges: &Edges) -> Vec<Vec<u32>> {
    let mut groups = Vec::new();
    for edge in edges.iter().filter(|e| e.sides.len() > 1) {
        // Of the three edges of a facet, the one between its lower corners speaks for it.
        let opposite = |s: &Side| across(&triangles[s.facet()], s.corner());
        if let [a, b] = edge.sides
            && (opposite(a) != opposite(b) || opposite(a) < edge.high)
        {
            continue;
        }
        let mut third: Vec<(u32, u32)> = edge
            .sides
            .iter()
            .map(|s| (opposite(s), s.facet() as u32))
            .filter(|s| s.0 > edge.high)
            .collect();
        third.sort_unstable();
        for group in third.chunk_by(|a, b| a.0 == b.0).filter(|g| g.len() > 1) {
            groups.push(group.iter().map(|g| g.1).collect());
        }
    }
    groups
}

fn look_at_shells(alike: &Mesh, edges: &Edges, patches: &Patches, health: &mut Health) {
    let closed = patches.closed(edges);
    for (patch, kind) in judge(alike, patches, &closed).into_iter().enumerate() {
        let defects = match kind {
            Kind::Body => continue,
            Kind::Cavity => {
                health.cavities += 1;
                continue;
            }
            Kind::TurnedCavity => {
                health.cavities += 1;
                &mut health.inside_out_shells
            }
            Kind::TurnedBody => &mut health.inside_out_shells,
            Kind::Sliver => &mut health.slivers,
            Kind::Open => &mut health.open_shells,
        };
        let facets = patches.shells.facets(patch);
        let corners = facets.iter().flat_map(|&f| alike.corners(f as usize));
        let size_mm = corners.fold(Bounds::EMPTY, |b, p| b.with(&p)).size().max();
        defects.add(size_mm, || alike.middle(facets[0] as usize));
    }
    let mut all: Vec<Hole> =
        holes::rings(edges).iter().map(|ring| hole(alike.vertices(), ring)).collect();
    health.holes = all.len();
    all.sort_by(|a, b| b.span_mm.total_cmp(&a.span_mm));
    all.truncate(PLACES);
    health.widest_holes = all;
}

pub(super) fn hole(vertices: &[Point], ring: &[u32]) -> Hole {
    let at = |i: usize| vertices[ring[i % ring.len()] as usize];
    Hole {
        edges: ring.len(),
        length_mm: (0..ring.len()).map(|i| (at(i + 1) - at(i)).norm()).sum(),
        span_mm: holes::span_mm(vertices, ring),
        place: holes::bounds(vertices, ring).center(),
    }
}
