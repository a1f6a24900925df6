//! The layer engine against closed forms, against slower twins, and against itself.

use approx::{assert_abs_diff_eq, assert_relative_eq};
use proptest::prelude::*;
use std::collections::VecDeque;
use std::f64::consts::PI;
use vatwright::layers::{
    Fill, Grid, Layer, Layers, SUBPIXEL, Scan, Span, Surface, Survey, overhangs,
};
use vatwright::mesh::{distance::Tree, measure, shapes};
use vatwright::{Bounds, Job, Mesh, Point, Pose, Solid, Vector};

fn at(mesh: &Mesh, x: f64, y: f64, z: f64) -> Surface<'_> {
    Surface { pose: Pose::translation(x, y, z), ..Surface::body(mesh) }
}

fn scan(surfaces: &[Surface<'_>], layer_mm: f64, pitch_mm: f64) -> Layers {
    let grid = Grid::around(surfaces, layer_mm, pitch_mm).unwrap();
    Scan::new(surfaces, grid).layers(&Job::default()).unwrap()
}

fn survey(surfaces: &[Surface<'_>], layer_mm: f64, pitch_mm: f64) -> Survey {
    Survey::of(&scan(surfaces, layer_mm, pitch_mm), &Job::default()).unwrap()
}

/// The mesh moved up so that its lowest point is at `z`.
fn lifted(mesh: &Mesh, z: f64) -> Surface<'_> {
    at(mesh, 0.0, 0.0, z - mesh.bounds().min.z)
}

/// Volumes and areas come from closed forms (the shapes' own tests hold the meshes against those);
/// here the layers are held against the polyhedron's exact volume.
#[test]
fn volume_agrees_with_the_mesh_at_50_um() {
    let shapes: [(&str, Solid); 8] = [
        ("sphere", shapes::sphere(10.0, 20_000).unwrap()),
        ("cap", shapes::spherical_cap(10.0, 3.0, 200).unwrap()),
        ("frustum", shapes::frustum(10.0, 5.0, 12.0, 200).unwrap()),
        ("torus", shapes::torus(10.0, 3.0, 200).unwrap()),
        ("ellipsoid", shapes::ellipsoid([3.0, 2.0, 1.0], 20_000).unwrap()),
        ("napkin ring", shapes::napkin_ring(5.0, 6.0, 200).unwrap()),
        ("hollow sphere", shapes::hollow_sphere(10.0, 8.0, 20_000).unwrap()),
        ("capsule", shapes::capsule(5.0, 20.0, 200).unwrap()),
    ];
    for (name, solid) in &shapes {
        // Turned and moved by odd amounts: nothing is exact by symmetry, and no face lies parallel
        // to the layers, where it would be printed to the nearest whole layer.
        let turn = nalgebra::UnitQuaternion::from_euler_angles(0.41, 0.73, 0.19);
        let b = solid.bounds_at(&Pose::from_parts(nalgebra::Translation3::identity(), turn));
        let up = nalgebra::Translation3::new(0.0137, 0.0071, 1.0023 - b.min.z);
        let s = Surface { pose: Pose::from_parts(up, turn), ..Surface::body(solid) };
        let found = scan(&[s], 0.05, 0.05).volume_mm3();
        let exact = measure::volume_mm3(solid);
        assert!((found / exact - 1.0).abs() < 1e-4, "{name}: {:.1e}", found / exact - 1.0);
    }
}

#[test]
fn volume_converges_with_second_order() {
    let ball = shapes::sphere(10.0, 80_000).unwrap();
    let exact = measure::volume_mm3(&ball);
    // The error at one placement is partly luck: take the root mean square over placements.
    let error = |pitch: f64| {
        let squares: f64 = (0..6)
            .map(|i| {
                let shift = f64::from(i) * 0.1618 * pitch;
                let s = at(&ball, shift, 2.0 * shift, 11.0 + shift);
                (scan(&[s], pitch, pitch).volume_mm3() / exact - 1.0).powi(2)
            })
            .sum();
        (squares / 6.0).sqrt()
    };
    let (coarse, fine) = (error(0.8), error(0.1));
    let order = (coarse / fine).log2() / 3.0;
    assert!(order > 1.8, "order {order:.2}: {coarse:.2e} at 0.8 mm, {fine:.2e} at 0.1 mm");
}

#[test]
fn overlapping_spheres_count_their_union_once() {
    // Union of two spheres of radius R at distance d: 2·(4/3)πR³ − π(4R+d)(2R−d)²/12 (lens
    // formula, from memory; follows from two caps of the cap formula).
    let (r, d): (f64, f64) = (10.0, 8.0);
    let ball = shapes::sphere(r, 80_000).unwrap();
    let found = scan(&[at(&ball, 0.0, 0.0, 10.5), at(&ball, d, 0.0, 10.5)], 0.1, 0.1).volume_mm3();
    let exact = 8.0 / 3.0 * PI * r.powi(3) - PI * (4.0 * r + d) * (2.0 * r - d).powi(2) / 12.0;
    assert_relative_eq!(found, exact, max_relative = 5e-4);
}

#[test]
fn a_cavity_empties_a_body_that_overlaps_itself() {
    let ball = shapes::sphere(10.0, 20_000).unwrap();
    let hole = shapes::sphere(2.0, 5_000).unwrap().mesh().flipped();
    let cavity = Surface { fill: Fill::Cavity, ..at(&hole, 4.0, 0.0, 10.5) };
    let bodies = [at(&ball, 0.0, 0.0, 10.5), at(&ball, 8.0, 0.0, 10.5)];
    let full = scan(&bodies, 0.1, 0.1).volume_mm3();
    let hollow = scan(&[bodies[0], bodies[1], cavity], 0.1, 0.1).volume_mm3();
    assert_relative_eq!(full - hollow, 4.0 / 3.0 * PI * 8.0, max_relative = 5e-3);
    let core = Surface { fill: Fill::Added, ..at(&ball, 4.0, 0.0, 10.5) };
    let filled = scan(&[bodies[0], bodies[1], cavity, core], 0.1, 0.1).volume_mm3();
    assert!(filled > full);
}

#[test]
fn bicylinder_is_the_intersection_of_two_cylinders() {
    // V = 16r³/3 (Steinmetz solid, from memory): 5333.333 for r = 10.
    let rod = shapes::cylinder(10.0, 30.0, 400).unwrap();
    let turn = nalgebra::UnitQuaternion::from_axis_angle(&Vector::x_axis(), PI / 2.0);
    let along_y = Surface {
        pose: Pose::from_parts(nalgebra::Translation3::new(0.0, 15.0, 10.5), turn),
        ..Surface::body(&rod)
    };
    let turn = nalgebra::UnitQuaternion::from_axis_angle(&Vector::y_axis(), PI / 2.0);
    let along_x = Surface {
        pose: Pose::from_parts(nalgebra::Translation3::new(-15.0, 0.0, 10.5), turn),
        ..Surface::body(&rod)
    };
    let grid = Grid::around(&[along_x, along_y], 0.1, 0.1).unwrap();
    let [a, b] = [along_x, along_y].map(|s| Scan::new(&[s], grid).layers(&Job::default()).unwrap());
    let layers = a.layers.iter().zip(&b.layers).map(|(a, b)| a.intersection(b)).collect();
    let both = Layers { layers, ..a };
    assert_relative_eq!(both.volume_mm3(), 16.0 / 3.0 * 1000.0, max_relative = 5e-4);
}

#[test]
fn a_section_has_area_outline_centroid_and_moments() {
    let disc = shapes::cylinder(8.0, 1.0, 720).unwrap();
    let s = survey(&[at(&disc, 3.0, -2.0, 0.0)], 0.5, 0.05);
    let r = s.regions[s.regions_of(1)][0];
    assert_relative_eq!(r.area_mm2, PI * 64.0, max_relative = 1e-4);
    assert_relative_eq!(r.perimeter_mm, 16.0 * PI, max_relative = 0.01);
    assert_abs_diff_eq!(r.centroid_mm[0], 3.0, epsilon = 1e-3);
    assert_abs_diff_eq!(r.centroid_mm[1], -2.0, epsilon = 1e-3);
    for i in 0..2 {
        assert_relative_eq!(r.moments_mm4[i], PI / 4.0 * 8f64.powi(4), max_relative = 1e-3);
    }
    assert_abs_diff_eq!(r.moments_mm4[2], 0.0, epsilon = 1.0);

    let slab = shapes::cuboid(10.0, 4.0, 1.0).unwrap();
    let turn = nalgebra::UnitQuaternion::from_axis_angle(&Vector::z_axis(), 0.5);
    let pose = Pose::from_parts(nalgebra::Translation3::identity(), turn);
    let s = survey(&[Surface { pose, ..Surface::body(&slab) }], 0.5, 0.05);
    let r = s.regions[0];
    assert_relative_eq!(r.area_mm2, 40.0, max_relative = 1e-3);
    assert_relative_eq!(r.perimeter_mm, 28.0, max_relative = 0.01);
    // Principal moments 4·10³/12 and 10·4³/12 turned by 0.5 rad (Mohr's circle).
    let (big, small) = (4.0 * 1000.0 / 12.0, 10.0 * 64.0 / 12.0);
    let (c, s) = (0.5f64.cos(), 0.5f64.sin());
    assert_relative_eq!(r.moments_mm4[0], big * c * c + small * s * s, max_relative = 2e-3);
    assert_relative_eq!(r.moments_mm4[1], big * s * s + small * c * c, max_relative = 2e-3);
    assert_relative_eq!(r.moments_mm4[2], (big - small) * s * c, max_relative = 5e-3);
}

#[test]
fn a_ring_outline_holds_its_hole() {
    let ring = shapes::tube(10.0, 6.0, 1.0, 720).unwrap();
    let s = survey(&[at(&ring, 0.01, 0.02, 0.0)], 0.5, 0.05);
    assert_relative_eq!(s.regions[0].perimeter_mm, 32.0 * PI, max_relative = 0.01);
    assert_relative_eq!(s.voids[0].area_mm2, 36.0 * PI, max_relative = 1e-3);
}

// --- cups and pockets ---

#[test]
fn a_sealed_sphere_is_a_pocket() {
    let ball = shapes::hollow_sphere(10.0, 6.0, 20_000).unwrap();
    let s = survey(&[lifted(&ball, 2.0)], 0.1, 0.1);
    assert_eq!(s.cups.len(), 1);
    let pocket = &s.cups[0];
    assert!(pocket.is_pocket());
    assert_relative_eq!(pocket.volume_mm3, 4.0 / 3.0 * PI * 216.0, max_relative = 3e-3);
    assert_relative_eq!(pocket.widest().1, 36.0 * PI, max_relative = 2e-3);
    assert!((pocket.place - Point::new(0.0, 0.0, 12.0)).norm() < 0.2);
}

/// The bowl of `shapes::bowl`, mouth up, lifted 5 mm on three pins.
fn bowl_on_pins(hole_mm: f64, mouth_up: bool) -> Survey {
    let bowl = shapes::bowl(10.0, 2.0, hole_mm, 200).unwrap();
    let pin = shapes::cylinder(0.5, 6.0, 24).unwrap();
    let b = bowl.bounds();
    let opens_up = bowl_opens_up(&bowl);
    let turn = if opens_up == mouth_up { 0.0 } else { PI };
    let turn = nalgebra::UnitQuaternion::from_axis_angle(&Vector::x_axis(), turn);
    let low = if opens_up == mouth_up { b.min.z } else { -b.max.z };
    let pose = Pose::from_parts(nalgebra::Translation3::new(0.0, 0.0, 5.0 - low), turn);
    let mut all = vec![Surface { pose, ..Surface::body(&bowl) }];
    let reach = if mouth_up { 2.0 } else { 9.0 };
    for i in 0..3 {
        let a = f64::from(i) * 2.0 * PI / 3.0 + 0.3;
        all.push(at(&pin, reach * a.cos(), reach * a.sin(), 0.0));
    }
    survey(&all, 0.1, 0.1)
}

/// Which way the shape opens is its own business; ask its section near the rim.
fn bowl_opens_up(bowl: &Solid) -> bool {
    let b = bowl.bounds();
    let wide = |z: f64| {
        let on = |p: &&Point| (p.z - z).abs() < 1e-9;
        bowl.vertices().iter().filter(on).map(|p| p.x.hypot(p.y)).fold(0.0, f64::max)
    };
    wide(b.max.z) > wide(b.min.z)
}

#[test]
fn a_bowl_that_opens_away_from_the_plate_is_a_cup_through_all_its_hollow_layers() {
    let s = bowl_on_pins(0.0, true);
    assert_eq!(s.cups.len(), 1, "{:?}", s.cups);
    let cup = &s.cups[0];
    assert!(!cup.is_pocket() || cup.layers().1 + 1 == s.grid.layers);
    // Inner sphere of radius 8 about the rim's plane, z = 15: area π(64 − (15 − z)²).
    assert_eq!(cup.layers(), (70, 149));
    for &(k, area) in &cup.sealed {
        let depth = 15.0 - s.grid.z_mm(k);
        let exact = PI * (64.0 - depth * depth);
        assert_abs_diff_eq!(area, exact, epsilon = 0.01 * exact + 0.3);
        assert_relative_eq!(s.sections[k as usize].sealed_mm2, area);
    }
}

#[test]
fn the_same_bowl_with_its_mouth_to_the_plate_is_none_unless_its_rim_lies_on_it() {
    assert_eq!(bowl_on_pins(0.0, false).cups, []);
    let bowl = shapes::bowl(10.0, 2.0, 0.0, 200).unwrap();
    let turn = if bowl_opens_up(&bowl) { PI } else { 0.0 };
    let turn = nalgebra::UnitQuaternion::from_axis_angle(&Vector::x_axis(), turn);
    let pose = Pose::from_parts(nalgebra::Translation3::identity(), turn);
    let low = bowl.bounds_at(&pose).min.z;
    let pose = Pose::from_parts(nalgebra::Translation3::new(0.0, 0.0, -low), turn);
    let s = survey(&[Surface { pose, ..Surface::body(&bowl) }], 0.1, 0.1);
    assert_eq!(s.cups.len(), 1);
    assert!(s.cups[0].is_pocket());
    assert_eq!(s.cups[0].layers().0, 0);
    assert_relative_eq!(s.cups[0].sealed[0].1, 64.0 * PI, max_relative = 1e-2);
}

#[test]
fn a_hole_in_the_bottom_removes_the_cup() {
    assert_eq!(bowl_on_pins(3.0, true).cups, []);
}

/// Layers of a block with a void given cell by cell; no mesh needed.
fn carved(size: [u32; 3], solid: impl Fn(u32, u32, u32) -> bool) -> Layers {
    let [columns, rows, layers] = size;
    let grid = Grid { layer_mm: 1.0, pitch_mm: 1.0, x0_mm: 0.0, y0_mm: 0.0, columns, rows, layers };
    let layer = |k| {
        Layer::from_rows(0..rows, |j, out: &mut Vec<Span>| {
            for i in (0..columns).filter(|&i| solid(i, j, k)) {
                let (x0, x1) = (i * SUBPIXEL, (i + 1) * SUBPIXEL);
                match out.last_mut() {
                    Some(last) if last.x1 == x0 && i > 0 && solid(i - 1, j, k) => last.x1 = x1,
                    _ => out.push(Span { x0, x1 }),
                }
            }
        })
    };
    Layers { grid, first: 0, layers: (0..layers).map(layer).collect() }
}

#[test]
fn a_bent_channel_keeps_the_cup_until_it_reaches_the_outside() {
    // A block 9 × 9 × 12 with a well up from layer 2, a channel sideways at layers 7 and 8.
    let layers = carved([11, 11, 12], |i, j, k| {
        let block = (1..10).contains(&i) && (1..10).contains(&j);
        let well = (4..7).contains(&i) && (4..7).contains(&j) && (2..9).contains(&k);
        let channel = i >= 6 && (4..7).contains(&j) && (7..9).contains(&k);
        block && !well && !channel
    });
    let s = Survey::of(&layers, &Job::default()).unwrap();
    assert_eq!(s.cups.len(), 1);
    assert_eq!(s.cups[0].layers(), (2, 6));
    assert_eq!(s.cups[0].opens_at, Some(7));
    assert_eq!(s.cups[0].sealed, (2..7).map(|k| (k, 9.0)).collect::<Vec<_>>());
    assert_eq!(s.sections.iter().filter(|l| l.sealed_mm2 > 0.0).count(), 5);
}

/// The definition again, without runs, regions or union–find: for each layer flood the void of
/// the dense cells below it from the side.
fn flooded(layers: &Layers) -> (Vec<u64>, u64) {
    let g = layers.grid;
    let (w, h) = (g.columns as usize + 2, g.rows as usize + 2);
    let masks: Vec<Vec<u8>> = (0..g.layers).map(|k| layers.mask(k)).collect();
    let solid = |x: usize, y: usize, z: usize| {
        x > 0 && y > 0 && x < w - 1 && y < h - 1 && masks[z][(y - 1) * (w - 2) + x - 1] > 0
    };
    // Above the last layer all is open, once that layer is done.
    let reach = |top: usize, done: bool| {
        let mut seen = vec![false; w * h * (top + 1)];
        let index = |x, y, z| (z * h + y) * w + x;
        let mut queue = VecDeque::new();
        for z in 0..=top {
            for y in 0..h {
                for x in 0..w {
                    let side = x == 0 || y == 0 || x == w - 1 || y == h - 1;
                    if side || (done && z == top && !solid(x, y, z)) {
                        seen[index(x, y, z)] = true;
                        queue.push_back((x, y, z));
                    }
                }
            }
        }
        while let Some((x, y, z)) = queue.pop_front() {
            let near = [
                (x.wrapping_sub(1), y, z),
                (x + 1, y, z),
                (x, y.wrapping_sub(1), z),
                (x, y + 1, z),
                (x, y, z.wrapping_sub(1)),
                (x, y, z + 1),
            ];
            for (a, b, c) in near {
                if a < w && b < h && c <= top && !solid(a, b, c) && !seen[index(a, b, c)] {
                    seen[index(a, b, c)] = true;
                    queue.push_back((a, b, c));
                }
            }
        }
        seen
    };
    let count = |seen: &[bool], z: usize| {
        let cells = (0..h).flat_map(|y| (0..w).map(move |x| (x, y)));
        cells.filter(|&(x, y)| !solid(x, y, z) && !seen[(z * h + y) * w + x]).count() as u64
    };
    let sealed = (0..masks.len()).map(|k| count(&reach(k, false), k)).collect();
    let last = reach(masks.len() - 1, true);
    let trapped = (0..masks.len()).map(|z| count(&last, z)).sum();
    (sealed, trapped)
}

fn brute_components(layers: &Layers) -> usize {
    let g = layers.grid;
    let (w, h, n) = (g.columns as usize, g.rows as usize, g.layers as usize);
    let masks: Vec<Vec<u8>> = (0..g.layers).map(|k| layers.mask(k)).collect();
    let mut seen = vec![false; w * h * n];
    let mut count = 0;
    for start in 0..w * h * n {
        if seen[start] || masks[start / (w * h)][start % (w * h)] == 0 {
            continue;
        }
        count += 1;
        seen[start] = true;
        let mut queue = vec![start];
        while let Some(i) = queue.pop() {
            let (x, y, z) = (i % w, i / w % h, i / (w * h));
            let mut visit = |ok: bool, j: usize| {
                if ok && !seen[j] && masks[j / (w * h)][j % (w * h)] > 0 {
                    seen[j] = true;
                    queue.push(j);
                }
            };
            visit(x > 0, i.wrapping_sub(1));
            visit(x + 1 < w, i + 1);
            visit(y > 0, i.wrapping_sub(w));
            visit(y + 1 < h, i + w);
            visit(z > 0, i.wrapping_sub(w * h));
            visit(z + 1 < n, i + w * h);
        }
    }
    count
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 300, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn cups_components_and_islands_equal_flooding_of_dense_cells(
        cells in prop::collection::vec(0u8..100, 7 * 6 * 6),
        share in 20u8..90,
    ) {
        let solid = |i: u32, j: u32, k: u32| cells[((k * 6 + j) * 7 + i) as usize] < share;
        let layers = carved([7, 6, 6], solid);
        let s = Survey::of(&layers, &Job::default()).unwrap();
        let (sealed, trapped) = flooded(&layers);
        let found: Vec<u64> = s.sections.iter().map(|l| l.sealed_mm2.round() as u64).collect();
        prop_assert_eq!(found, sealed);
        let pockets: f64 = s.pockets().map(|p| p.volume_mm3).sum();
        prop_assert_eq!(pockets.round() as u64, trapped);
        prop_assert_eq!(s.components.len(), brute_components(&layers));
        for (i, region) in s.regions.iter().enumerate() {
            let island = region.layer > 0 && s.below(i as u32).next().is_none();
            prop_assert_eq!(island, s.islands.contains(&(i as u32)));
        }
    }

    #[test]
    fn set_operations_equal_those_of_dense_cells(
        a in prop::collection::vec(any::<bool>(), 9 * 7),
        b in prop::collection::vec(any::<bool>(), 9 * 7),
        radius in 0.0f64..3.0,
    ) {
        // Reach sideways is rounded down to a sub-pixel: within one of a pixel's centre, either
        // answer is right.
        let clear = |rows: i32| {
            let reach = (radius * radius - f64::from(rows * rows)).max(0.0).sqrt() - 0.5;
            (reach - reach.round()).abs() > 1.0 / f64::from(SUBPIXEL)
        };
        prop_assume!((0..4).all(clear));
        let layers = carved([9, 7, 2], |i, j, k| [&a, &b][k as usize][(j * 9 + i) as usize]);
        let (l, m) = (layers.layer(0), layers.layer(1));
        let dense = |layer: Layer| Layers { layers: vec![layer], ..layers.clone() }.mask(0);
        let each = |f: &dyn Fn(usize) -> bool| (0..63).map(|i| 255 * u8::from(f(i))).collect::<Vec<u8>>();
        prop_assert_eq!(dense(l.union(m)), each(&|i| a[i] || b[i]));
        prop_assert_eq!(dense(l.intersection(m)), each(&|i| a[i] && b[i]));
        prop_assert_eq!(dense(l.minus(m)), each(&|i| a[i] && !b[i]));
        // A pixel's centre is within the radius of a solid pixel's stretch.
        let near = |i: usize| (0..63).any(|j| {
            let dx = ((i % 9).abs_diff(j % 9) as f64 - 0.5).max(0.0);
            a[j] && dx.hypot((i / 9).abs_diff(j / 9) as f64) <= radius
        });
        prop_assert_eq!(dense(l.grown(radius, &layers.grid)), each(&near));
        let over = overhangs(&layers, radius, &Job::default()).unwrap();
        let found = over.first().map_or(Layer::default(), |o| o.area.clone());
        prop_assert_eq!(dense(found), each(&|i| b[i] && !near(i)));
    }

    #[test]
    fn pixels_are_solid_where_the_winding_number_is_not_zero(
        corners in prop::collection::vec(prop::array::uniform3(0.3f64..9.7), 16),
        order in any::<prop::sample::Index>(),
    ) {
        // Four tetrahedra at random, overlapping as they please, each facing outward.
        let mut triangles = Vec::new();
        let points: Vec<Point> = corners.iter().map(|c| Point::from(*c)).collect();
        for t in points.chunks(4) {
            let v = (t[1] - t[0]).cross(&(t[2] - t[0])).dot(&(t[3] - t[0]));
            let base = triangles.len() as u32;
            let faces = [[0, 2, 1], [0, 1, 3], [1, 2, 3], [0, 3, 2]];
            for f in faces {
                let f = if v > 0.0 { f } else { [f[0], f[2], f[1]] };
                triangles.push(f.map(|i| base + i));
            }
        }
        let mesh = Mesh::new("tetrahedra", points.clone(), triangles.clone()).unwrap();
        let grid = Grid::over(&Bounds { min: Point::origin(), max: Point::new(10.0, 10.0, 10.0) }, 1.0, 1.0).unwrap();
        let layers = Scan::new(&[Surface::body(&mesh)], grid).layers(&Job::default()).unwrap();
        let turn = order.index(triangles.len());
        triangles.rotate_left(turn);
        let shuffled = Mesh::new("shuffled", points, triangles).unwrap();
        let again = Scan::new(&[Surface::body(&shuffled)], grid).layers(&Job::default()).unwrap();
        prop_assert_eq!(&again, &layers);
        let tree = Tree::of(&mesh);
        for k in 0..grid.layers {
            let mask = layers.mask(k);
            for j in 0..grid.rows {
                for i in 0..grid.columns {
                    let p = grid.pixel(i, j, k);
                    let found = mask[(j * grid.columns + i) as usize] > 0;
                    if found != (crate::fuzz::targets::winding(&mesh, &p) != 0) {
                        // Only rounding of a crossing to the nearest sub-pixel may excuse it.
                        let by = 2.0 / f64::from(SUBPIXEL);
                        let crossings = tree.crossings(0, &p);
                        let near = crossings.iter().any(|c| (c.at_mm - p.x).abs() <= by);
                        prop_assert!(near, "{} at {}", found, p);
                    }
                }
            }
        }
    }
}

#[test]
fn turning_by_90_degrees_and_mirroring_leave_areas_unchanged() {
    let body = shapes::torus(10.0, 3.0, 120).unwrap();
    let tilt = nalgebra::UnitQuaternion::from_euler_angles(0.4, 0.7, 0.2);
    let areas = |turn: nalgebra::UnitQuaternion<f64>, mirror: bool| {
        let mut mesh =
            body.transformed(&Pose::from_parts(nalgebra::Translation3::identity(), turn * tilt));
        if mirror {
            let (name, mut v, t) = mesh.flipped().into_parts();
            v.iter_mut().for_each(|p| p.x = -p.x);
            mesh = Mesh::new(name, v, t).unwrap();
        }
        let s = survey(&[lifted(&mesh, 1.0)], 0.25, 0.05);
        s.sections.iter().map(|l| l.area_mm2).collect::<Vec<_>>()
    };
    let same = nalgebra::UnitQuaternion::identity();
    let quarter = nalgebra::UnitQuaternion::from_axis_angle(&Vector::z_axis(), PI / 2.0);
    let plain = areas(same, false);
    for other in [areas(quarter, false), areas(same, true)] {
        assert_eq!(other.len(), plain.len());
        for (a, b) in plain.iter().zip(&other) {
            assert_abs_diff_eq!(a, b, epsilon = 0.02 + 2e-3 * a);
        }
    }
}

#[test]
fn thread_counts_give_identical_bytes() {
    let a = shapes::hollow_sphere(10.0, 8.0, 20_000).unwrap();
    let b = shapes::torus(8.0, 3.0, 100).unwrap();
    let run = |threads: usize| {
        let pool = rayon::ThreadPoolBuilder::new().num_threads(threads).build().unwrap();
        pool.install(|| {
            let layers = scan(&[lifted(&a, 0.5), at(&b, 4.0, 3.0, 8.0)], 0.1, 0.1);
            let s = Survey::of(&layers, &Job::default()).unwrap();
            let o = overhangs(&layers, 0.3, &Job::default()).unwrap();
            let o: Vec<_> = o.into_iter().map(|o| (o.layer, o.regions, o.area)).collect();
            serde_json::to_string(&(layers, s, o)).unwrap()
        })
    };
    let one = run(1);
    assert!(one == run(2) && one == run(7));
}

#[test]
fn blocks_give_what_the_whole_gives() {
    let ball = shapes::hollow_sphere(10.0, 6.0, 5_000).unwrap();
    let bowl = shapes::bowl(10.0, 2.0, 0.0, 60).unwrap();
    let surfaces = [lifted(&ball, 0.5), at(&bowl, 25.0, 0.0, 0.0 - bowl.bounds().min.z)];
    let grid = Grid::around(&surfaces, 0.2, 0.2).unwrap();
    let ready = Scan::new(&surfaces, grid);
    let whole = Survey::of(&ready.layers(&Job::default()).unwrap(), &Job::default()).unwrap();
    let mut blocks = 0;
    ready
        .for_each_block(20_000, &Job::default(), |b| {
            blocks += 1;
            assert!(b.bytes() < 40_000);
            Ok(())
        })
        .unwrap();
    assert!(blocks > 5, "{blocks} blocks");
    assert_eq!(Survey::stream(&ready, 20_000, &Job::default()).unwrap(), whole);
}

#[test]
fn overhang_beyond_a_reach_is_what_a_table_top_sticks_out() {
    let top = shapes::cuboid(20.0, 20.0, 2.0).unwrap();
    let leg = shapes::cylinder(4.0, 10.0, 360).unwrap();
    let c = top.bounds().center();
    let all = [at(&leg, 0.0, 0.0, 0.0), at(&top, -c.x, -c.y, 10.0 - top.bounds().min.z)];
    let over = overhangs(&scan(&all, 0.1, 0.1), 1.5, &Job::default()).unwrap();
    assert_eq!(over.len(), 1);
    assert_eq!(over[0].layer, 100);
    assert_relative_eq!(over[0].regions[0].area_mm2, 400.0 - PI * 5.5 * 5.5, max_relative = 2e-3);
}

#[test]
fn silhouette_is_the_shadow() {
    let ball = shapes::sphere(10.0, 20_000).unwrap();
    let layers = scan(&[lifted(&ball, 1.0)], 0.1, 0.1);
    let shadow = layers.silhouette().area_mm2(&layers.grid);
    assert_relative_eq!(shadow, 100.0 * PI, max_relative = 2e-3);
}

#[test]
fn huge_and_empty_grids_are_refused_or_empty() {
    let ball = shapes::sphere(1e4, 200).unwrap();
    let error = Grid::around(&[Surface::body(&ball)], 0.05, 0.01).unwrap_err();
    assert_eq!(error.code(), "limit");
    assert!(Grid::around(&[], f64::NAN, 0.05).is_err());
    let s = survey(&[], 0.05, 0.05);
    assert_eq!((s.sections.len(), s.regions.len(), s.cups.len()), (0, 0, 0));
}
