//! Supports of every mesh of the shared data folder, judged by means that the pass does not
//! use itself.

use crate::common::shared;
use crate::support_known::tilted;
use parry3d_f64::math::Vector as ParryVector;
use parry3d_f64::query::PointQuery;
use parry3d_f64::shape::TriMesh;
use std::collections::BTreeSet;
use std::ops::RangeInclusive;
use vatwright::layers::{Grid, Layer, Layers, Scan, Survey};
use vatwright::mesh::{Point, health, io};
use vatwright::structure::SupportFrame;

use vatwright::check::inspect;
use vatwright::passes::{Pass, Raft, Support};
use vatwright::{Context, Done, Part, Report, Role, Setup, Severity, Solid, Supports, Tip};

/// Layers and pixels of one size.
fn context(pitch_mm: f64) -> Context {
    let mut setup = Setup::load("desk-50um").unwrap();
    (setup.exposure.layer_mm, setup.machine.pixel_mm) = (pitch_mm, pitch_mm);
    Context::new(setup)
}

/// The file as a solid whose length is within a range, since many state no unit and some are too
/// large for the machine.
fn load(name: &str, length_mm: RangeInclusive<f64>) -> Option<Solid> {
    let path = shared(&format!("meshes/{name}.stl"))?;
    let mesh = io::read(path, &io::ReadOptions::default()).unwrap();
    let long_mm = mesh.bounds().size().max();
    let wanted_mm = long_mm.clamp(*length_mm.start(), *length_mm.end());
    let mesh = mesh.scaled(wanted_mm / long_mm).unwrap();
    // Some are torn open; a flat filling is as good as any here.
    let options = health::RepairOptions { hole_mm: 10.0, ..Default::default() };
    Some(health::repair(mesh, &options).unwrap().value.solid)
}

fn supported(part: Part, ctx: &Context) -> Done<Part> {
    let part = Raft::default().apply(part, ctx).unwrap().value;
    Support::default().apply(part, ctx).unwrap()
}

/// What a name's three poses are asked.
fn poses(name: &str, length_mm: RangeInclusive<f64>, pitch_mm: f64) {
    let Some(solid) = load(name, length_mm) else { return };
    let ctx = context(pitch_mm);
    for (x, y) in [(0.0, 0.0), (35.0, 20.0), (100.0, -25.0)] {
        let name = format!("{name} turned by {x}° and {y}°");
        let part = tilted(solid.clone(), x, y);
        let Done { value: done, report: told } = supported(part.clone(), &ctx);
        let s = done.supports.as_deref().unwrap();
        nothing_floats(&name, &done, &ctx);
        what_fails_is_told(&name, &told, &done, &ctx);
        bars_keep_off(&name, &done, s);
        layers_meet_only_at_tips(&name, &done, s, &ctx);
        everything_has_a_foot(&name, &done, s);
        let r = &ctx.setup.resin;
        SupportFrame::whole(s, r.green_modulus_mpa, r.poisson).frame.factor().unwrap();
        for threads in [1, 7] {
            let pool = rayon::ThreadPoolBuilder::new().num_threads(threads).build().unwrap();
            let again = pool.install(|| supported(part.clone(), &ctx));
            assert!(again.value == done && again.report == told, "{name} on {threads} threads");
        }
    }
}

fn scanned(part: &Part, roles: &[Role], grid: Grid, ctx: &Context) -> Layers {
    Scan::new(&part.surfaces(roles), grid).layers(&ctx.job).unwrap()
}

fn grid(part: &Part, ctx: &Context) -> Grid {
    let (layer, pixel) = (ctx.setup.exposure.layer_mm, ctx.setup.machine.pixel_mm);
    Grid::around(&part.surfaces(&Role::ALL), layer, pixel).unwrap()
}

/// The check finds nothing that supports are for, but what the pass itself has told.
pub(crate) fn what_fails_is_told(name: &str, told: &Report, part: &Part, ctx: &Context) {
    let found = inspect(part, ctx).unwrap().findings;
    for f in found.iter().filter(|f| f.severity == Severity::Fault) {
        let known: &[&str] = match f.code.as_str() {
            "island" | "overhang" | "sag" => &["island", "overhang"],
            "tips" => &["overload", "neck"],
            "columns" => &["buckling"],
            "adhesion" => &["adhesion"],
            _ => continue, // voids, exposure and size are others' business
        };
        let known = told.findings.iter().any(|t| known.contains(&t.code.as_str()));
        assert!(known, "{name}: {} {:?}", f.message, f.place);
    }
}

fn nothing_floats(name: &str, part: &Part, ctx: &Context) {
    let layers = scanned(part, &Role::ALL, grid(part, ctx), ctx);
    let survey = Survey::of(&layers, &ctx.job).unwrap();
    let islands: Vec<_> = survey.islands.iter().map(|&i| survey.regions[i as usize]).collect();
    assert!(islands.is_empty(), "{name}: {islands:?}");
}

/// Points on every bar's axis keep the stated gap beyond its radius from the part's surface.
pub(crate) fn bars_keep_off(name: &str, part: &Part, s: &Supports) {
    const STEP_MM: f64 = 0.2;
    let mesh = part.mesh(&[Role::Body, Role::Lattice]);
    let vector = |p: &Point| ParryVector::new(p.x, p.y, p.z);
    let vertices = mesh.vertices().iter().map(vector).collect();
    let surface = TriMesh::new(vertices, mesh.triangles().to_vec()).unwrap();
    let node = |i: u32| s.nodes[i as usize];
    let gap_mm = Support::default().gap_mm;
    let bars = s.members.iter().map(|m| (node(m.a), node(m.b), m.diameter_mm, gap_mm));
    // Necks must come near at the contact; from half-way down they keep off too, but for those
    // that meet a landing half-way in a gap too narrow for a bar.
    let landed: BTreeSet<u32> = s.landings.iter().map(|t| t.node).collect();
    let free = s.tips.iter().filter(|t| !landed.contains(&t.node));
    let necks = free.map(|t| {
        let head = node(t.node);
        (nalgebra::center(&head, &t.contact), head, t.diameter_mm, 0.0)
    });
    for (a, b, diameter_mm, gap_mm) in bars.chain(necks) {
        let steps = ((b - a).norm() / STEP_MM).ceil().max(1.0);
        for i in 0..=steps as u32 {
            let p = a + (b - a) * (f64::from(i) / steps);
            let off = surface.distance_to_local_point(vector(&p), false) - diameter_mm / 2.0;
            assert!(off >= gap_mm - 1e-6, "{name}: {off} mm beside a bar at {p}");
        }
    }
}

/// Where the layers of supports and part overlap there is a contact.
fn layers_meet_only_at_tips(name: &str, part: &Part, s: &Supports, ctx: &Context) {
    let grid = grid(part, ctx);
    let body = scanned(part, &[Role::Body, Role::Lattice], grid, ctx);
    let bars = scanned(part, &[Role::Support], grid, ctx);
    let landed: BTreeSet<u32> = s.landings.iter().map(|t| t.node).collect();
    for k in 0..grid.layers {
        let both: Layer = body.layer(k).intersection(bars.layer(k));
        for row in both.rows() {
            for span in both.row(row) {
                let (a, b) = span.pixels();
                for p in (a..b).map(|column| grid.pixel(column, row, k)) {
                    // A neck in a gap too narrow for a bar may brush its walls; an upright one under
                    // a slope meets it over an ellipse that reaches down beside the contact.
                    let near = |t: &Tip| {
                        let along = s.nodes[t.node as usize] - t.contact;
                        let most = if landed.contains(&t.node) { 1.0 } else { 0.4 };
                        let at =
                            ((p - t.contact).dot(&along) / along.norm_squared()).clamp(0.0, most);
                        (t.contact + along * at - p).norm() < 0.5 * t.diameter_mm + 0.3
                    };
                    let known = s.tips.iter().chain(&s.landings).any(near);
                    assert!(known, "{name}: supports cut into the part at {p}");
                }
            }
        }
    }
}

/// From every tip there is a way along bars to a foot, and every foot stands on base or part.
fn everything_has_a_foot(name: &str, part: &Part, s: &Supports) {
    let mut stands: BTreeSet<u32> = s.feet.iter().copied().collect();
    loop {
        let before = stands.len();
        for m in &s.members {
            if stands.contains(&m.a) || stands.contains(&m.b) {
                stands.extend([m.a, m.b]);
            }
        }
        if stands.len() == before {
            break;
        }
    }
    assert!(s.tips.iter().all(|t| stands.contains(&t.node)), "{name}");
    let raft = part.raft.as_ref().unwrap();
    let landed: BTreeSet<u32> = s.landings.iter().map(|t| t.node).collect();
    for f in s.feet.iter().filter(|f| !landed.contains(f)) {
        let p = s.nodes[*f as usize];
        assert!((p.z - raft.plan.top_mm()).abs() < 1e-9, "{name}: foot at {p}");
        let b = raft.mesh.bounds();
        assert!((b.min.x..=b.max.x).contains(&p.x) && (b.min.y..=b.max.y).contains(&p.y), "{name}");
    }
}

macro_rules! meshes {
    ($($(#[$slow:meta])* $name:ident)*) => { $(
        mod $name {
            /// Coarse enough that a test takes seconds.
            #[test]
            fn stands() {
                super::poses(stringify!($name), 25.0..=25.0, 0.1);
            }

            /// As it will be printed.
            #[test]
            $(#[$slow])*
            fn stands_at_the_printers_pitch() {
                super::poses(stringify!($name), 25.0..=60.0, 0.05);
            }
        }
    )* };
}

// All slow ones together take about two minutes: cargo test --test all support_data -- --ignored
meshes! {
    cavity_spiral
    demosthenes_low
    #[ignore = "slow"]
    gearwheel
    #[ignore = "slow"]
    goblet_vase
    #[ignore = "slow"]
    n100_plate
    pci_bracket
    penguin
    #[ignore = "slow"]
    porta_filter_funnel
    #[ignore = "slow"]
    screw_block
    #[ignore = "slow"]
    skull
    #[ignore = "slow"]
    solar_case
    spider
    #[ignore = "slow"]
    wagon_wheels
}
