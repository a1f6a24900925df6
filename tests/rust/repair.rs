//! Repair in its three strengths, on known shapes and real models after known damage; the winding
//! number against a direct sum.

use approx::assert_relative_eq;
use std::collections::HashSet;
use std::f64::consts::PI;
use std::path::Path;
use vatwright::mesh::health::{Fill, Repaired, diagnose};
use vatwright::mesh::io::{self, ReadOptions};
use vatwright::mesh::measure::{measure, volume_mm3};
use vatwright::mesh::shapes;
use vatwright::mesh::winding::Winding;
use vatwright::passes::Repair;
use vatwright::passes::repair::Strength;
use vatwright::{Done, Finding, Job, Mesh, Point, Pose, Recipe, Severity, Step};

fn with(strength: Strength, fill: Fill) -> Repair {
    Repair { strength, fill, ..Repair::default() }
}

fn repaired(mesh: &Mesh, repair: &Repair) -> Done<Repaired> {
    repair.mesh(mesh.clone(), &Job::default()).unwrap_or_else(|e| panic!("{e}"))
}

fn refusal(mesh: &Mesh, repair: &Repair) -> String {
    repair.mesh(mesh.clone(), &Job::default()).unwrap_err().to_string()
}

/// A real model of the corpus, its longest side 50 mm.
fn corpus(name: &str) -> Mesh {
    let root = Path::new(env!("CARGO_MANIFEST_DIR")).join("../../tests/corpus/meshes");
    let mesh = io::read(root.join(name), &ReadOptions::default()).unwrap();
    let size = mesh.bounds().size().max();
    mesh.scaled(50.0 / size).unwrap()
}

fn cube(edge: f64) -> Mesh {
    shapes::cuboid(edge, edge, edge).unwrap().into()
}

fn moved(mesh: &Mesh, by: [f64; 3]) -> Mesh {
    mesh.transformed(&Pose::translation(by[0], by[1], by[2]))
}

/// The mesh with other triangles.
fn of(mesh: &Mesh, triangles: Vec<[u32; 3]>) -> Mesh {
    Mesh::new(mesh.name(), mesh.vertices().to_vec(), triangles).unwrap()
}

/// Numbers that look random (a linear congruence after Knuth, from memory).
struct Draw(u64);

impl Draw {
    fn below(&mut self, n: usize) -> usize {
        self.0 =
            self.0.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        ((self.0 >> 33) as usize) % n
    }
}

fn middle(mesh: &Mesh, f: usize) -> Point {
    let [a, b, c] = mesh.corners(f);
    Point::from((a.coords + b.coords + c.coords) / 3.0)
}

/// Takes out the facets nearest to one of them, up to a share of the area.
fn holed(mesh: &Mesh, seed: usize, share: f64) -> Mesh {
    let at = middle(mesh, seed);
    let mut order: Vec<usize> = (0..mesh.triangles().len()).collect();
    let away = |f: &usize| (middle(mesh, *f) - at).norm();
    order.sort_by(|a, b| away(a).total_cmp(&away(b)));
    // Only what hangs together with the seed, so that no far side of a thin wall goes too.
    let facing = mesh.area_normal(seed).normalize();
    let mut left = share * measure(mesh).area_mm2;
    let mut gone = HashSet::new();
    for f in order {
        let normal = mesh.area_normal(f);
        let area = normal.norm() / 2.0;
        if normal.dot(&facing) <= 0.0 {
            continue;
        }
        if area > left {
            break;
        }
        left -= area;
        gone.insert(f);
    }
    let kept = (0..mesh.triangles().len()).filter(|f| !gone.contains(f));
    of(mesh, kept.map(|f| mesh.triangles()[f]).collect())
}

/// The corners of every facet, from the least on, so that facets can be found again.
fn facets(mesh: &Mesh) -> HashSet<[[u64; 3]; 3]> {
    let bits = |p: Point| [p.x, p.y, p.z].map(|c| (c + 0.0).to_bits());
    (0..mesh.triangles().len())
        .map(|f| {
            let mut corners = mesh.corners(f).map(bits);
            let least = (0..3).min_by_key(|&k| corners[k]).unwrap();
            corners.rotate_left(least);
            corners
        })
        .collect()
}

/// Solid angles summed over every facet, by the formula of van Oosterom & Strackee (1983, IEEE
/// Trans. Biomed. Eng. 30:125, from memory): no tree, no cone.
fn direct(mesh: &Mesh, p: &Point) -> f64 {
    let angle = |f| {
        let [a, b, c] = mesh.corners(f).map(|q| q - p);
        let [la, lb, lc] = [a, b, c].map(|v| v.norm());
        let below = la * lb * lc + a.dot(&b) * lc + b.dot(&c) * la + c.dot(&a) * lb;
        2.0 * a.dot(&b.cross(&c)).atan2(below)
    };
    (0..mesh.triangles().len()).map(angle).sum::<f64>() / (4.0 * PI)
}

#[test]
fn winding_numbers_match_a_direct_sum() {
    let sphere: Mesh = shapes::sphere(10.0, 2000).unwrap().into();
    let overlapping = Mesh::concat("two", [&sphere, &moved(&sphere, [7.0, 1.0, 0.0])]);
    let torn = holed(&sphere, 17, 0.2);
    let half: Vec<[u32; 3]> = sphere.triangles().iter().step_by(2).copied().collect();
    let doubled = Mesh::concat("doubled", [&sphere, &sphere, &torn]).welded(0.0);
    let mut draw = Draw(7);
    for mesh in [&sphere, &overlapping, &torn, &of(&sphere, half), &doubled] {
        let winding = Winding::of(mesh);
        let points: Vec<Point> = (0..300)
            .map(|_| Point::from([0; 3].map(|_| draw.below(30_000) as f64 / 1000.0 - 15.0)))
            .collect();
        let found = winding.all(&points, &Job::default()).unwrap();
        for (p, w) in points.iter().zip(found) {
            let expected = direct(mesh, p);
            assert!((w - expected).abs() < 1e-9, "{}: {w} for {expected} at {p}", mesh.name());
        }
    }
    // Seen from the middle of its rim's plane, half a sphere fills half of all directions.
    let upper: Vec<[u32; 3]> = (0..sphere.triangles().len())
        .filter(|&f| middle(&sphere, f).z > 0.0)
        .map(|f| sphere.triangles()[f])
        .collect();
    let w = Winding::of(&of(&sphere, upper)).at(&Point::new(0.0, 0.0, 1e-3));
    assert!((w - 0.5).abs() < 0.02, "{w}");
}

#[test]
fn holes_of_real_models_are_filled_within_a_percent_of_the_volume() {
    let mut draw = Draw(3);
    let all = with(Strength::Fill, Fill::All);
    let (mut holes, mut worst) = (0, 0.0_f64);
    let sphere: Mesh = shapes::sphere(20.0, 5000).unwrap().into();
    for mesh in [
        corpus("penguin.stl"),
        corpus("porta_filter_funnel.stl"),
        corpus("wardrobe_end.stl"),
        sphere,
    ] {
        let whole = volume_mm3(&mesh);
        for share in [0.002, 0.01, 0.03, 0.05] {
            for _ in 0..3 {
                let torn = holed(&mesh, draw.below(mesh.triangles().len()), share);
                if diagnose(&torn).holes == 0 {
                    continue;
                }
                let done = repaired(&torn, &all);
                let left = facets(&done.value.solid);
                // A facet that is left hanging by its corners alone encloses nothing and goes.
                let moved = facets(&torn).difference(&left).count();
                assert!(moved <= 3, "{}: {moved} sound facets moved", mesh.name());
                let off = (volume_mm3(&done.value.solid) / whole - 1.0).abs();
                worst = worst.max(off);
                holes += 1;
                // A twentieth of a thin wall's surface, taken on one side, hides more of its volume
                // than a body's: the funnel comes within 3.3 %.
                let most = if mesh.name().contains("funnel") { 0.04 } else { 0.01 };
                assert!(off < most, "{} share {share}: volume off by {off}", mesh.name());
            }
        }
    }
    assert!(holes > 30, "{holes} holes, worst {worst}");
}

#[test]
fn a_curved_hole_is_filled_by_a_curved_surface() {
    // A rim that is far from flat: a quarter of the sphere about the corner of its box.
    let sphere: Mesh = shapes::sphere(20.0, 5000).unwrap().into();
    let inside = |f: usize| {
        let p = middle(&sphere, f);
        !(p.x > 4.0 && p.y > -3.0 && (p.z - 0.3 * p.x).abs() < 9.0)
    };
    let kept = (0..sphere.triangles().len()).filter(|&f| inside(f));
    let torn = of(&sphere, kept.map(|f| sphere.triangles()[f]).collect());
    let why = refusal(&torn, &Repair::default());
    assert!(why.contains("holes: 1") && why.contains("repair.fill = \"all\""), "{why}");
    let done = repaired(&torn, &with(Strength::Fill, Fill::All));
    let share = volume_mm3(&done.value.solid) / volume_mm3(&sphere);
    assert!((0.97..1.03).contains(&share), "{share}");
    // The smooth surface stays near the sphere, where flat facets would cut deep into it.
    let filling = done.value.solid.vertices().iter().map(|v| v.coords.norm());
    let lowest = filling.fold(f64::INFINITY, f64::min);
    assert!(lowest > 16.0, "{lowest}");
    let told: Vec<&Finding> = done.report.findings.iter().filter(|f| f.code == "filled").collect();
    assert_eq!((told.len(), told[0].severity), (1, Severity::Warning));
    assert!(told[0].value.is_some_and(|mm| mm > 1.0) && told[0].place.is_some());
}

#[test]
fn what_a_flat_hole_was_taken_for_is_said() {
    let open = |up: f64| {
        let cup = cube(10.0);
        let kept = (0..12).filter(|&f| cup.area_normal(f).z * up < 50.0);
        of(&cup, kept.map(|f| cup.triangles()[f]).collect())
    };
    for (up, severity, words) in
        [(1.0, Severity::Warning, "open top"), (-1.0, Severity::Note, "open bottom")]
    {
        let done = repaired(&open(up), &Repair::default());
        assert_relative_eq!(volume_mm3(&done.value.solid), 1000.0, max_relative = 1e-9);
        let told = done.report.findings.iter().find(|f| f.code == "filled").unwrap();
        assert_eq!(told.severity, severity);
        assert!(told.remedy.contains(words) && told.remedy.contains("vessel"), "{}", told.remedy);
        assert!(refusal(&open(up), &with(Strength::Mend, Fill::All)).contains("holes: 1"));
    }
}

/// Cubes of edge 10, one moved by 5 along all axes: together 2·10³ − 5³ mm³.
#[test]
fn what_passes_through_itself_is_rebuilt_as_its_union() {
    let rebuild = Repair { cell_mm: Some(0.2), ..with(Strength::Rebuild, Fill::All) };
    let crossing = Mesh::concat("crossing", [&cube(10.0), &moved(&cube(10.0), [5.0; 3])]);
    let done = repaired(&crossing, &rebuild);
    assert_relative_eq!(volume_mm3(&done.value.solid), 1875.0, max_relative = 2e-3);
    let told = done.report.findings.iter().find(|f| f.code == "rebuilt").unwrap();
    assert!(told.value.is_some_and(|mm| mm < 0.4), "{told:?}");
    // What mending makes sound is left as it is.
    let done = repaired(&cube(10.0), &rebuild);
    assert_eq!(done.value.solid.mesh(), &cube(10.0));
    assert!(done.report.findings.is_empty());
}

#[test]
fn defects_that_mending_refuses_are_rebuilt() {
    let rebuild = Repair { cell_mm: Some(0.25), ..with(Strength::Rebuild, Fill::All) };
    // A wall inside, one facet thick, which no pairing of facets settles: a box cut in two.
    let half = shapes::cuboid(5.0, 10.0, 10.0).unwrap();
    let halves = Mesh::concat("halves", [half.mesh(), &moved(&half, [5.0, 0.0, 0.0])]).welded(0.0);
    let shared = (0..halves.triangles().len())
        .find(|&f| halves.corners(f).iter().all(|p| (p.x - 5.0).abs() < 1e-9))
        .unwrap();
    let mut triangles = halves.triangles().to_vec();
    triangles.remove(shared);
    let halves = of(&halves, triangles);
    let why = refusal(&halves, &Repair::default());
    assert!(why.contains("repair.strength = \"rebuild\""), "{why}");
    let done = repaired(&halves, &rebuild);
    assert_relative_eq!(volume_mm3(&done.value.solid), 1000.0, max_relative = 5e-3);

    // Every facet by itself, shrunk by a hundredth: nothing hangs together.
    let sphere: Mesh = shapes::sphere(10.0, 500).unwrap().into();
    let mut vertices = Vec::new();
    for f in 0..sphere.triangles().len() {
        let m = middle(&sphere, f);
        vertices.extend(sphere.corners(f).map(|p| m + (p - m) * 0.99));
    }
    let triangles = (0..sphere.triangles().len() as u32).map(|f| [3 * f, 3 * f + 1, 3 * f + 2]);
    let soup = Mesh::new("soup", vertices, triangles.collect()).unwrap();
    let done = repaired(&soup, &Repair { cell_mm: Some(0.5), ..rebuild.clone() });
    let share = volume_mm3(&done.value.solid) / volume_mm3(&sphere);
    assert!((0.98..1.01).contains(&share), "{share}");

    // A lone sheet encloses nothing, unless it is to become a wall.
    let sheet = Mesh::new(
        "sheet",
        [[0.0, 0.0, 0.0], [20.0, 0.0, 0.0], [20.0, 20.0, 0.0], [0.0, 20.0, 0.0]]
            .map(Point::from)
            .to_vec(),
        vec![[0, 1, 2], [0, 2, 3]],
    )
    .unwrap();
    let walls = Repair { sheet_mm: Some(2.0), ..rebuild };
    let done = repaired(&sheet, &walls);
    // A plate with half-round rims: A·t + (half the rim's length)·π·(t/2)² + one ball.
    let expected = 400.0 * 2.0 + 40.0 * PI + 4.0 / 3.0 * PI;
    assert_relative_eq!(volume_mm3(&done.value.solid), expected, max_relative = 1e-2);
}

#[test]
fn damage_of_many_kinds_is_repaired_and_sound_regions_are_kept() {
    let mut draw = Draw(11);
    for name in ["penguin.stl", "porta_filter_funnel.stl"] {
        let sound = corpus(name);
        for round in 0..3 {
            let mut triangles = sound.triangles().to_vec();
            let mut vertices = sound.vertices().to_vec();
            for _ in 0..triangles.len() / 200 {
                // A joint on one side of an edge only.
                let [a, b, c] = triangles[draw.below(triangles.len())];
                let joint = vertices.len() as u32;
                vertices.push(nalgebra::center(&vertices[a as usize], &vertices[b as usize]));
                let at = triangles.iter().position(|t| *t == [a, b, c]).unwrap();
                triangles[at] = [a, joint, c];
                triangles.push([joint, b, c]);
            }
            for _ in 0..triangles.len() / 100 {
                let f = draw.below(triangles.len());
                triangles[f].swap(0, 1);
            }
            for _ in 0..triangles.len() / 100 {
                let f = draw.below(triangles.len());
                triangles.push(triangles[f]);
            }
            let damaged = Mesh::new(name, vertices, triangles).unwrap();
            let torn = holed(&damaged, draw.below(damaged.triangles().len()), 0.01);
            let done = repaired(&torn, &with(Strength::Fill, Fill::All));
            let share = volume_mm3(&done.value.solid) / volume_mm3(&sound);
            assert!((share - 1.0).abs() < 0.01, "{name}, round {round}: {share}");
            let (before, after) = (facets(&sound), facets(&done.value.solid));
            let kept = before.intersection(&after).count() as f64 / before.len() as f64;
            assert!(kept > 0.93, "{name}, round {round}: {kept}");
        }
    }
}

#[test]
fn a_recipe_knows_how_its_files_are_repaired() {
    assert_eq!(Recipe::default().repair(), Repair::default());
    let own = Repair { hole_mm: 7.0, ..with(Strength::Rebuild, Fill::All) };
    let recipe = Recipe { steps: vec![Step::Repair(own.clone())] };
    let back = Recipe::from_toml(&recipe.to_toml().unwrap(), "text").unwrap();
    assert_eq!(back.repair(), own);
    let text = "[[steps]]\npass = \"repair\"\nfill = \"all\"\n";
    assert_eq!(Recipe::from_toml(text, "r.toml").unwrap().repair().fill, Fill::All);
}
