//! Diagnosis against catalogued defects of real models, and repair of known shapes after known
//! damage: what comes back must be the shape that was damaged.

use crate::common::{catalogue, shared};
use approx::assert_relative_eq;
use proptest::prelude::*;
use vatwright::mesh::health::{Health, RepairOptions, Repaired, diagnose, repair};
use vatwright::mesh::io::{self, ReadOptions};
use vatwright::mesh::measure::{measure, volume_mm3};
use vatwright::mesh::shapes;
use vatwright::{Done, Error, Mesh, Point, Report, Solid, Vector};

fn mend(mesh: Mesh) -> vatwright::Result<Done<Repaired>> {
    repair(mesh, &RepairOptions::default())
}

/// The mended mesh and the report's numbers that are not zero.
fn mended(mesh: Mesh) -> (Repaired, Vec<(String, f64)>) {
    let Done { value, report } = mend(mesh).unwrap_or_else(|e| panic!("{e}"));
    assert_eq!(value.origin.len(), value.solid.triangles().len());
    let Report { numbers, .. } = report;
    (value, numbers.into_iter().filter(|(_, n)| *n != 0.0).collect())
}

fn refusal(mesh: Mesh) -> String {
    let e = mend(mesh).unwrap_err();
    assert!(matches!(e, Error::NotSolid { .. }), "{e}");
    e.to_string()
}

/// The mesh with other triangles.
fn with(mesh: &Mesh, triangles: Vec<[u32; 3]>) -> Mesh {
    Mesh::new(mesh.name(), mesh.vertices().to_vec(), triangles).unwrap()
}

fn moved(mesh: &Mesh, by: [f64; 3]) -> Mesh {
    mesh.transformed(&vatwright::Pose::translation(by[0], by[1], by[2]))
}

fn cube(edge: f64) -> Mesh {
    shapes::cuboid(edge, edge, edge).unwrap().into()
}

/// One mesh of several, welded where they touch.
fn joined(meshes: &[&Mesh]) -> Mesh {
    Mesh::concat("joined", meshes.iter().copied()).welded(0.0)
}

/// Counts as found by general-purpose mesh libraries.
#[test]
fn real_models_have_the_catalogued_defects() {
    for row in catalogue() {
        let name = row.text("name");
        let Some(file) = shared(&format!("meshes/{name}.stl")) else { return };
        let mesh = io::read(file, &ReadOptions::default()).unwrap();
        let h = diagnose(&mesh);
        let listed = |column: &str| row.number(column).unwrap() as usize;
        assert_eq!(h.triangles, listed("triangles"), "{name}");
        assert_eq!(h.open_edges.count, listed("boundary_edges"), "{name}");
        assert_eq!(h.crowded_edges.count, listed("nonmanifold_edges"), "{name}");
        assert_eq!(h.clashing_edges.count, listed("misoriented_edges"), "{name}");
        assert_eq!(h.doubled_facets.count, listed("duplicate_tris"), "{name}");
        assert_eq!(h.shells, listed("shells"), "{name}");
        // Ours counts all that are less than ten nanometres high, the catalogue's only those
        // whose area rounds to nothing.
        let flat = listed("collapsed_tris") + listed("zero_area_tris");
        assert!(h.flat_facets.count >= flat, "{name}");
        assert_eq!(h.flat_facets.count == 0, flat == 0, "{name}");
        if row.text("watertight") == "True" {
            assert!(h.closed && h.holes == 0 && h.open_shells.count == 0, "{name}");
            let inward = h.cavities + h.inside_out_shells.count;
            assert_eq!(inward, listed("negative_shells"), "{name}");
        }
    }
}

#[test]
fn watertight_models_come_back_as_they_are() {
    for row in catalogue().iter().filter(|r| r.text("watertight") == "True") {
        let name = row.text("name");
        let Some(file) = shared(&format!("meshes/{name}.stl")) else { return };
        let mesh = io::read(file, &ReadOptions::default()).unwrap();
        let (repaired, numbers) = mended(mesh.clone());
        assert_relative_eq!(volume_mm3(&repaired.solid), volume_mm3(&mesh), max_relative = 1e-7);
        if diagnose(&mesh).flat_facets.count == 0 {
            assert_eq!(numbers, [], "{name}");
            assert_eq!(repaired.solid.mesh(), &mesh, "{name}");
        } else {
            assert_eq!(diagnose(&repaired.solid).flat_facets.count, 0, "{name}");
        }
    }
}

#[test]
fn real_models_with_defects_are_mended_or_refused_with_a_reason() {
    let read = |name: &str, unit: f64| {
        let options = ReadOptions { unit_mm: Some(unit), ..Default::default() };
        Some(io::read(shared(&format!("meshes/{name}.stl"))?, &options).unwrap())
    };
    let Some(block) = read("screw_block", 1.0) else { return };
    // Its three zero-volume slivers go, the part stays.
    let (repaired, _) = mended(block);
    let h = diagnose(&repaired.solid);
    assert_eq!((h.shells, h.slivers.count, h.flat_facets.count), (1, 0, 0));
    assert_relative_eq!(volume_mm3(&repaired.solid), 2861.628, max_relative = 1e-6);

    // A bust of 60 mm with an open base: closing it is the user's decision.
    let Some(bust) = read("demosthenes_low", 22.0) else { return };
    let why = refusal(bust.clone());
    assert!(why.contains("67 edges") && why.contains("repair.hole_mm"), "{why}");
    let wide = RepairOptions { hole_mm: 20.0, ..Default::default() };
    let done = repair(bust, &wide).unwrap();
    assert_eq!(done.report.numbers["filling_facets"], 65.0);
    assert_eq!(done.value.origin.iter().filter(|o| o.is_none()).count(), 65);
}

/// Damage of every kind at once, spread over a sphere: the volume that comes back is the
/// sphere's own to 10⁻⁵.
#[test]
fn a_damaged_sphere_is_mended() {
    let sphere = shapes::sphere(20.0, 80_000).unwrap();
    let (damaged, holes) = damaged(&sphere);
    let found = diagnose(&damaged);
    assert_eq!(found.holes, holes);
    assert!(found.doubled_facets.count > 100 && found.flat_facets.count > 100);
    assert!(found.turned_facets.count > 100 && !found.closed);
    let (repaired, numbers) = mended(damaged.clone());
    let h = diagnose(&repaired.solid);
    assert!(is_sound(&h), "{h:?}");
    assert_relative_eq!(volume_mm3(&repaired.solid), volume_mm3(&sphere), max_relative = 1e-5);
    let number = |what: &str| numbers.iter().find(|(n, _)| n == what).unwrap().1;
    assert_eq!(number("filled_holes"), holes as f64);

    // What was flagged before is flagged after, in its old place.
    let upper: Vec<bool> = (0..damaged.triangles().len()).map(|f| is_upper(&damaged, f)).collect();
    let carried = repaired.carry(&upper);
    for (f, flag) in carried.iter().enumerate() {
        let z = repaired.solid.corners(f)[0].z;
        if repaired.origin[f].is_some() && z.abs() > 1.0 {
            assert_eq!(*flag, z > 0.0);
        }
    }
}

fn is_upper(mesh: &Mesh, facet: usize) -> bool {
    mesh.corners(facet).iter().map(|p| p.z).sum::<f64>() > 0.0
}

fn is_sound(h: &Health) -> bool {
    let defects = [
        &h.open_edges,
        &h.crowded_edges,
        &h.clashing_edges,
        &h.turned_facets,
        &h.doubled_facets,
        &h.flat_facets,
        &h.open_shells,
        &h.inside_out_shells,
        &h.slivers,
    ];
    h.closed && h.holes == 0 && h.one_sided.is_none() && defects.iter().all(|d| d.count == 0)
}

/// Flips, doubles (in both senses), collapsed facets, flaps, fins, T-joints and holes; and how many
/// holes that makes.
fn damaged(sphere: &Mesh) -> (Mesh, usize) {
    let mut vertices = sphere.vertices().to_vec();
    let mut triangles = Vec::new();
    let mut holes = 0;
    for (i, &[a, b, c]) in sphere.triangles().iter().enumerate() {
        match i % 600 {
            0 => triangles.push([a, c, b]),
            100 => triangles.extend([[a, b, c], [b, c, a]]),
            200 => triangles.extend([[a, b, c], [c, b, a]]),
            300 => triangles.extend([[a, b, c], [a, a, b]]),
            400 => {
                // A flap on one edge, its tip in the edge's middle.
                let tip = vertices.len() as u32;
                vertices.push(nalgebra::center(&vertices[a as usize], &vertices[b as usize]));
                triangles.extend([[a, b, c], [a, tip, b]]);
            }
            450 => {
                // A fin that stands out.
                let tip = vertices.len() as u32;
                vertices.push(vertices[a as usize] * 1.1);
                triangles.extend([[a, b, c], [b, c, tip]]);
            }
            500 => {
                // A joint on one edge that the neighbour does not share: a hole without width.
                let joint = vertices.len() as u32;
                vertices.push(nalgebra::center(&vertices[a as usize], &vertices[b as usize]));
                triangles.extend([[a, joint, c], [joint, b, c]]);
                holes += 1;
            }
            550 => holes += 1,
            _ => triangles.push([a, b, c]),
        }
    }
    (Mesh::new("damaged", vertices, triangles).unwrap(), holes)
}

#[test]
fn a_body_that_is_inside_out_is_turned_with_its_cavities() {
    let hollow = shapes::hollow_sphere(10.0, 8.0, 2000).unwrap();
    assert_eq!(diagnose(&hollow).cavities, 1);
    let (same, numbers) = mended(hollow.clone().into());
    assert_eq!((same.solid.mesh(), numbers.len()), (hollow.mesh(), 0));

    let turned = hollow.flipped();
    assert_eq!(diagnose(&turned).inside_out_shells.count, 2);
    let (repaired, numbers) = mended(turned);
    assert_eq!(numbers, [("turned_shells".to_string(), 2.0)]);
    assert_relative_eq!(volume_mm3(&repaired.solid), volume_mm3(&hollow), max_relative = 1e-12);
}

#[test]
fn shells_are_judged_by_what_holds_them() {
    let volume = |shells: &[&Mesh]| volume_mm3(&mended(joined(shells)).0.solid);
    let (big, mid, small) = (cube(20.0), moved(&cube(10.0), [5.0; 3]), moved(&cube(4.0), [8.0; 3]));
    let away = moved(&cube(4.0), [40.0, 0.0, 0.0]);
    let (b, m, s) = (8000.0, 1000.0, 64.0);
    for (shells, expected) in [
        // A lone shell that faces inward, and one beside a sound one.
        (vec![&small.flipped()], s),
        (vec![&big, &away.flipped()], b + s),
        // A cavity, and the same with both turned.
        (vec![&big, &mid.flipped()], b - m),
        (vec![&big.flipped(), &mid], b - m),
        // A body within the cavity, right, inside out, and all turned.
        (vec![&big, &mid.flipped(), &small], b - m + s),
        (vec![&big, &mid.flipped(), &small.flipped()], b - m + s),
        (vec![&small.flipped(), &mid, &big.flipped()], b - m + s),
        // A shell within a body that faces the same way overlaps it (counted twice).
        (vec![&big, &mid], b + m),
        // Two cavities in two bodies.
        (
            vec![&big, &mid.flipped(), &moved(&big, [50.0; 3]), &moved(&mid.flipped(), [50.0; 3])],
            2.0 * (b - m),
        ),
        // One that only touches the outside is no cavity.
        (vec![&big, &moved(&cube(10.0), [20.0, 0.0, 0.0]).flipped()], b + m),
        // One that is half inside is no cavity either.
        (vec![&big, &moved(&cube(10.0), [15.0, 5.0, 5.0]).flipped()], b + m),
    ] {
        assert_relative_eq!(volume(&shells), expected, max_relative = 1e-9);
    }
}

/// Two tetrahedra, one below and one above a common face; their first facets lie in it.
fn touching_tetrahedra() -> Mesh {
    let corners =
        [[0.0, 0.0, 0.0], [9.0, 0.0, 0.0], [0.0, 9.0, 0.0], [2.0, 2.0, -7.0], [2.0, 2.0, 7.0]];
    let below = [[0, 1, 2], [1, 0, 3], [2, 1, 3], [0, 2, 3]];
    let above = [[0, 2, 1], [0, 1, 4], [1, 2, 4], [2, 0, 4]];
    let triangles = below.into_iter().chain(above).collect();
    Mesh::new("pair", corners.map(Point::from).to_vec(), triangles).unwrap()
}

#[test]
fn zero_volume_slivers_are_dropped_and_bodies_that_touch_are_kept() {
    let square = [[30.0, 0.0, 0.0], [34.0, 0.0, 0.0], [34.0, 4.0, 0.0], [30.0, 4.0, 0.0]];
    let sliver = Mesh::new(
        "sliver",
        square.map(Point::from).to_vec(),
        vec![[0, 1, 2], [0, 2, 3], [0, 3, 1], [1, 3, 2]],
    )
    .unwrap();
    let with_sliver = Mesh::concat("both", [&cube(10.0), &sliver]);
    assert_eq!(diagnose(&with_sliver).slivers.count, 1);
    let (repaired, _) = mended(with_sliver);
    assert_eq!(repaired.solid.mesh().triangles(), cube(10.0).triangles());

    // Face to face: the shared face is there twice, once each way, and closes both.
    let pair = touching_tetrahedra();
    assert_eq!(diagnose(&pair).doubled_facets.count, 1);
    let (repaired, numbers) = mended(pair.clone());
    assert_eq!((repaired.solid.mesh(), numbers), (&pair, vec![]));
    // Edge to edge: four facets share the edge, two of each.
    let pair = joined(&[&cube(10.0), &moved(&cube(10.0), [10.0, 10.0, 0.0])]);
    assert_eq!(diagnose(&pair).crowded_edges.count, 1);
    assert_eq!(mended(pair.clone()).0.solid.mesh(), &pair);
}

#[test]
fn taking_out_facets_without_area_opens_nothing() {
    // A seam with many joints on one side, sealed by flat facets in a fan.
    let joints = 100;
    let mut vertices: Vec<Point> =
        [[0.0, 0.0, 0.0], [6.0, 0.0, 0.0], [3.0, 5.0, 0.0], [3.0, -5.0, 0.0], [3.0, 0.0, 4.0]]
            .map(Point::from)
            .to_vec();
    vertices.extend(
        (1..=joints).map(|i| Point::new(6.0 * f64::from(i) / f64::from(joints + 1), 0.0, 0.0)),
    );
    let mut triangles = vec![[0, 2, 1], [0, 4, 2], [2, 4, 1], [0, 3, 4], [3, 1, 4]];
    let seam: Vec<u32> = [0].into_iter().chain(5..5 + joints as u32).chain([1]).collect();
    triangles.extend(seam.windows(2).map(|w| [w[0], w[1], 3]));
    triangles.extend(seam[1..].windows(2).map(|w| [0, w[1], w[0]]));
    let mesh = Mesh::new("seam", vertices, triangles).unwrap();
    let solid = Solid::try_from(mesh.clone()).unwrap();
    assert_eq!(diagnose(&mesh).flat_facets.count, joints as usize);
    let (repaired, numbers) = mended(mesh);
    assert!(is_sound(&diagnose(&repaired.solid)), "{numbers:?}");
    let (a, b) = (measure(&repaired.solid), measure(&solid));
    assert_relative_eq!(a.volume_mm3, b.volume_mm3, max_relative = 1e-12);
    assert_relative_eq!(a.area_mm2, b.area_mm2, max_relative = 1e-12);

    // The same seam without its sealing facets is a crack; it is found and closed.
    let cracked: Vec<[u32; 3]> =
        repaired.origin.iter().flatten().map(|&f| f as usize).fold(Vec::new(), |mut all, f| {
            if f < 5 + seam.len() - 1 && !all.contains(&solid.triangles()[f]) {
                all.push(solid.triangles()[f]);
            }
            all
        });
    let cracked = with(&solid, cracked);
    assert_eq!(diagnose(&cracked).holes, 1);
    let wide = RepairOptions { hole_mm: 10.0, ..Default::default() };
    let closed = repair(cracked, &wide).unwrap().value.solid;
    assert!(is_sound(&diagnose(&closed)));
    assert_relative_eq!(volume_mm3(&closed), b.volume_mm3, max_relative = 1e-12);
}

#[test]
fn cracks_narrower_than_the_weld_are_closed() {
    let cube = cube(10.0);
    // Every facet with corners of its own, off by less than a tenth of a micrometre.
    let vertices: Vec<Point> = (0..12)
        .flat_map(|f| cube.corners(f).map(|p| p + Vector::new(1.0, -1.0, 0.5) * (f as f64 * 2e-6)))
        .collect();
    let triangles = (0..12).map(|f| [3 * f, 3 * f + 1, 3 * f + 2]).collect();
    let exploded = Mesh::new("exploded", vertices, triangles).unwrap();
    assert_eq!(diagnose(&exploded).shells, 12);
    let (repaired, numbers) = mended(exploded.clone());
    assert_eq!(numbers, [("welded_vertices".to_string(), 28.0)]);
    assert_relative_eq!(volume_mm3(&repaired.solid), 1000.0, max_relative = 1e-5);
    let strict = RepairOptions { weld_mm: 0.0, ..Default::default() };
    assert!(repair(exploded, &strict).is_err());
}

#[test]
fn what_would_be_guessing_is_refused() {
    // A box without its lid.
    let cube = cube(10.0);
    let open: Vec<[u32; 3]> =
        (0..12).filter(|&f| cube.area_normal(f).z < 50.0).map(|f| cube.triangles()[f]).collect();
    let why = refusal(with(&cube, open));
    assert!(
        why.contains("holes: 1, 10.000 mm wide (4 edges) near (5.000, 5.000, 10.000)"),
        "{why}"
    );
    assert!(why.contains("repair.fill = \"all\"") && why.contains("takes 10.000"), "{why}");

    // A band with half a twist has one side only.
    let n = 24;
    let vertices = (0..n)
        .flat_map(|i| {
            let t = std::f64::consts::TAU * f64::from(i) / f64::from(n);
            [-2.0, 2.0].map(|w| {
                let r = 10.0 + w * (t / 2.0).cos();
                Point::new(r * t.cos(), r * t.sin(), w * (t / 2.0).sin())
            })
        })
        .collect();
    let n = n as u32;
    let band = (0..n)
        .flat_map(|i| {
            let (a, b) = (2 * i, 2 * i + 1);
            let (c, d) = if i + 1 < n { (a + 2, b + 2) } else { (1, 0) };
            [[a, c, b], [b, c, d]]
        })
        .collect();
    let band = Mesh::new("band", vertices, band).unwrap();
    assert!(diagnose(&band).one_sided.is_some());
    let why = refusal(band);
    assert!(why.contains("only one side"), "{why}");

    // Two bodies whose common wall is but one facet: which of them does it close?
    let pair = touching_tetrahedra();
    let why = refusal(with(&pair, pair.triangles()[1..].to_vec()));
    assert!(why.contains("edges with more than two facets: 3"), "{why}");
    assert!(why.contains("repair.strength") && !why.contains("run repair"), "{why}");

    let nothing = Mesh::new("nothing", vec![], vec![]).unwrap();
    assert!(refusal(nothing.clone()).contains("no triangles"));
    assert_eq!(diagnose(&nothing).shells, 0);
}

#[test]
fn a_sheet_of_doubled_faces_is_no_solid() {
    // A wavy sheet, front and back over the same vertices: its volume is rounding.
    let n = 40;
    let at = |i: u32, j: u32| {
        let (x, y) = (f64::from(i) * 0.7, f64::from(j) * 0.7);
        Point::new(x, y, (0.9 * x).sin() + (0.7 * y).cos())
    };
    let vertices: Vec<Point> = (0..n * n).map(|k| at(k % n, k / n)).collect();
    let front = (0..(n - 1) * (n - 1)).flat_map(|k| {
        let a = k % (n - 1) + k / (n - 1) * n;
        [[a, a + 1, a + n], [a + 1, a + n + 1, a + n]]
    });
    let both: Vec<[u32; 3]> = front.flat_map(|[a, b, c]| [[a, b, c], [c, b, a]]).collect();
    let count = both.len();
    let sheet = Mesh::new("sheet", vertices, both).unwrap();
    let refused = Solid::try_from(sheet.clone()).unwrap_err().to_string();
    assert!(refused.contains("sheet without thickness"), "{refused}");
    let why = refusal(sheet.clone());
    assert!(why.contains(&format!("facets, {count} in number")), "{why}");
    assert!(why.contains("give sheets a thickness") && !why.contains("run repair"), "{why}");

    // Beside a body it is left out, and told.
    let beside = Mesh::concat("beside", [&moved(&cube(10.0), [0.0, 0.0, 20.0]), &sheet]);
    let done = mend(beside).unwrap();
    assert_relative_eq!(volume_mm3(&done.value.solid), 1000.0, max_relative = 1e-9);
    assert!(done.report.findings.iter().any(|f| f.code == "sheet"));
    assert_eq!(done.report.numbers["dropped_sheet_facets"], count as f64);
}

#[test]
fn a_diagnosis_counts_every_kind_and_names_the_worst_places() {
    let sphere = shapes::sphere(20.0, 80_000).unwrap();
    let (damaged, holes) = damaged(&sphere);
    let said = diagnose(&damaged).summary();
    for words in [
        format!("holes: {holes}, "),
        "facets that face the wrong way: ".into(),
        "doubled facets: ".into(),
        "facets without area: ".into(),
        "edges with more than two facets: ".into(),
    ] {
        assert!(said.contains(&words), "{words} in {said}");
    }
    assert_eq!(diagnose(&sphere).summary(), "");
    let two = Mesh::concat("two", [&cube(2.0).flipped(), &moved(&cube(9.0).flipped(), [9.0; 3])]);
    let inside_out = diagnose(&two).inside_out_shells;
    assert_eq!((inside_out.count, &inside_out.sizes_mm[..]), (2, &[9.0, 2.0][..]));
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(1000))]

    /// Facets at random over a coarse grid: every kind of defect, all at once.
    #[test]
    fn any_soup_is_mended_or_refused(
        corners in prop::collection::vec(prop::array::uniform3(0..3u8), 4..12),
        picks in prop::collection::vec(prop::array::uniform3(any::<prop::sample::Index>()), 0..60),
    ) {
        let vertices = corners.iter().map(|c| Point::from(c.map(f64::from))).collect();
        let triangles = picks.iter().map(|t| t.map(|i| i.index(corners.len()) as u32)).collect();
        let soup = Mesh::new("soup", vertices, triangles).unwrap();
        diagnose(&soup);
        match mend(soup) {
            Ok(done) => {
                let h = diagnose(&done.value.solid);
                prop_assert!(h.closed && h.inside_out_shells.count == 0);
            }
            Err(e) => prop_assert!(matches!(e, Error::NotSolid { .. }), "{}", e),
        }
    }

    /// A sphere with facets turned and taken out at random comes back closed.
    #[test]
    fn any_scattered_damage_is_mended(
        turned in prop::collection::vec(any::<prop::sample::Index>(), 0..40),
        removed in prop::collection::vec(any::<prop::sample::Index>(), 0..40),
    ) {
        let sphere = shapes::sphere(5.0, 1000).unwrap();
        let mut triangles = sphere.triangles().to_vec();
        turned.iter().for_each(|i| i.get_mut(&mut triangles).swap(0, 1));
        for i in &removed {
            triangles.swap_remove(i.index(triangles.len()));
        }
        let wide = RepairOptions { hole_mm: 5.0, ..Default::default() };
        let done = repair(with(&sphere, triangles), &wide).unwrap();
        let share = volume_mm3(&done.value.solid) / volume_mm3(&sphere);
        prop_assert!((0.95..1.0 + 1e-9).contains(&share), "{}", share);
    }
}
