//! Plugs on plates: each stands on a bar, whole, by its number, beside its part or apart.

use std::collections::BTreeSet;
use std::f64::consts::TAU;
use vatwright::check::inspect_plate;
use vatwright::mesh::measure::volume_mm3;
use vatwright::mesh::shapes;
use vatwright::passes::pack::PlugPlace;
use vatwright::passes::{Estimate, Pack};
use vatwright::{
    Context, Drainage, Finding, Mesh, Part, Pass, Placed, Plate, Point, Report, Setup, Severity,
    Vector, VentHole,
};

/// Sides of the plugs made here.
const SIDES: usize = 32;

/// A crate with holes of these diameters, and a plug for each.
fn vented(name: &str, size_mm: f64, holes_mm: &[f64]) -> Part {
    let mut part = Part::new(shapes::cuboid(size_mm, size_mm, 6.0).unwrap());
    part.name = name.into();
    part.drainage.push(Drainage {
        volume_ml: 1.0,
        drain_s: Some(60.0),
        retained_ml: 0.0,
        pressure_kpa: 0.0,
    });
    for (i, &diameter_mm) in holes_mm.iter().enumerate() {
        part.vents.push(VentHole {
            mouth: Point::new(0.0, 0.0, 3.0),
            inward: -Vector::z(),
            diameter_mm,
            length_mm: 2.0,
            cavity: 1,
            plug: Some(i as u32),
            inner: false,
        });
        let (wide, narrow) = (0.5 * diameter_mm - 0.1, 0.5 * diameter_mm - 0.2);
        part.plugs.push(shapes::frustum(wide, narrow, 2.0, SIDES).unwrap());
    }
    part
}

fn pack(options: Pack, parts: Vec<Part>) -> (Vec<Plate>, Report) {
    let done = Pack { rounds: 20, ..options }.apply(parts, &ctx()).unwrap();
    (done.value, done.report)
}

fn ctx() -> Context {
    Context::new(Setup::default())
}

fn bars(plate: &Plate) -> Vec<&Placed> {
    plate.placed.iter().filter(|p| p.part.bar.is_some()).collect()
}

fn named(part: &Part) -> Vec<String> {
    part.bar.as_ref().map(|b| b.plugs.clone()).unwrap_or_default()
}

#[test]
fn every_plug_stands_whole_on_a_bar_beside_its_part() {
    let holes = [1.5, 2.0, 3.0, 4.0, 5.0, 6.0, 2.5];
    let (plates, report) = pack(Pack::default(), vec![vented("porter", 20.0, &holes)]);
    assert_eq!(plates.len(), 1);
    let bar = &bars(&plates[0])[0].part;
    assert_eq!(bar.name, "porter plugs");
    assert_eq!(bar.bar.as_ref().unwrap().part, "porter");
    assert_eq!(named(bar).len(), holes.len());
    assert_eq!(named(bar)[6], "plug 7");
    assert_eq!((report.numbers["parts"], report.numbers["plugs"]), (1.0, 7.0));
    let owner = plates[0].placed.iter().find(|p| p.part.bar.is_none()).unwrap();
    let theirs: Vec<&str> = owner.part.plugs.iter().map(|p| p.name()).collect();
    assert_eq!(named(bar), theirs);

    // Each plug is there whole, its narrow end down: V = h/3·(A + a + √(A·a)), a frustum of regular
    // polygons of area ½·n·r²·sin(2π/n).
    let polygon = |r: f64| 0.5 * SIDES as f64 * r * r * (TAU / SIDES as f64).sin();
    let mut left = shells(bar.body.mesh());
    for d in holes {
        let (wide, narrow) = (polygon(0.5 * d - 0.1), polygon(0.5 * d - 0.2));
        let wanted = 2.0 / 3.0 * (wide + narrow + (wide * narrow).sqrt());
        let found = left.iter().position(|s| (volume_mm3(s) - wanted).abs() < 1e-6 * wanted);
        let plug = left.remove(found.unwrap_or_else(|| panic!("no plug of {wanted} mm³")));
        let b = plug.bounds();
        let reach = |z: f64| {
            let at = plug.vertices().iter().filter(|v| (v.z - z).abs() < 1e-9);
            at.map(|v| (v.x - b.center().x).hypot(v.y - b.center().y)).fold(0.0, f64::max)
        };
        assert!((reach(b.max.z) - (0.5 * d - 0.1)).abs() < 1e-9);
        assert!((reach(b.min.z) - (0.5 * d - 0.2)).abs() < 1e-9);
        // Cutters find their way between it and the bar.
        assert!(b.min.z >= 1.0, "{}", b.min.z);
    }
}

/// The pieces of a mesh that share no corner.
fn shells(mesh: &Mesh) -> Vec<Mesh> {
    let mut root: Vec<usize> = (0..mesh.vertices().len()).collect();
    fn find(root: &mut [usize], mut i: usize) -> usize {
        while root[i] != i {
            root[i] = root[root[i]];
            i = root[i];
        }
        i
    }
    for t in mesh.triangles() {
        let [a, b, c] = t.map(|i| i as usize);
        for (p, q) in [(a, b), (b, c)] {
            let (p, q) = (find(&mut root, p), find(&mut root, q));
            root[p.max(q)] = p.min(q);
        }
    }
    let of: Vec<usize> = (0..root.len()).map(|i| find(&mut root, i)).collect();
    let roots: BTreeSet<usize> = of.iter().copied().collect();
    let piece = |r: usize| {
        let index: Vec<usize> = (0..of.len()).filter(|&i| of[i] == r).collect();
        let at = |i: u32| index.binary_search(&(i as usize)).unwrap() as u32;
        let own = mesh.triangles().iter().filter(|t| of[t[0] as usize] == r);
        let corners = index.iter().map(|&i| mesh.vertices()[i]).collect();
        Mesh::new("piece", corners, own.map(|t| t.map(at)).collect()).unwrap()
    };
    roots.into_iter().map(piece).collect()
}

/// Numbers run through all parts, so that a plug tells where it belongs; copies are alike.
#[test]
fn a_number_is_given_once() {
    let parts = vec![
        vented("porter", 12.0, &[2.0, 2.0]),
        vented("stoker", 12.0, &[2.0, 2.0, 3.0]),
        Part::new(shapes::cuboid(5.0, 5.0, 5.0).unwrap()),
    ];
    let copies = [("porter".to_string(), 3)].into();
    let (plates, report) = pack(Pack { copies, ..Pack::default() }, parts.clone());
    let all: Vec<Vec<String>> = plates.iter().flat_map(bars).map(|b| named(&b.part)).collect();
    assert_eq!(all.len(), 4);
    let different: BTreeSet<&Vec<String>> = all.iter().collect();
    let names: Vec<&String> = different.iter().flat_map(|b| b.iter()).collect();
    assert_eq!(names, ["plug 1", "plug 2", "plug 3", "plug 4", "plug 5"]);
    assert_eq!((report.numbers["parts"], report.numbers["plugs"]), (5.0, 9.0));

    // Copies that are given one by one are alike, too.
    let given = vec![parts[0].clone(), parts[0].clone()];
    let (plates, _) = pack(Pack::default(), given);
    let all: Vec<Vec<String>> = plates.iter().flat_map(bars).map(|b| named(&b.part)).collect();
    assert_eq!(all, [["plug 1", "plug 2"], ["plug 1", "plug 2"]]);
    // A part that is called like a bar keeps its name.
    let (plates, _) =
        pack(Pack::default(), vec![vented("a", 9.0, &[2.0]), vented("a plugs", 9.0, &[2.0])]);
    let names: BTreeSet<&str> = plates[0].placed.iter().map(|p| p.part.name.as_str()).collect();
    assert_eq!(names.len(), 4, "{names:?}");
}

#[test]
fn bars_go_beside_their_parts_or_apart_or_nowhere() {
    let parts = vec![vented("porter", 15.0, &[2.0, 3.0]), vented("stoker", 15.0, &[4.0])];
    let copies = [("porter".to_string(), 3)].into();
    let options = Pack { copies, max_parts: Some(2), ..Pack::default() };
    // Bars do not count as parts.
    let (plates, _) = pack(options.clone(), parts.clone());
    assert_eq!(plates.len(), 2);
    for plate in &plates {
        let of = |name: &str| plate.placed.iter().filter(|p| p.part.name == name).count();
        assert_eq!((of("porter"), of("stoker")), (of("porter plugs"), of("stoker plugs")));
        assert_eq!(of("porter") + of("stoker"), 2);
    }
    let apart = Pack { plugs: PlugPlace::Apart, ..options.clone() };
    let (plates, report) = pack(apart, parts.clone());
    let with: Vec<usize> = plates.iter().map(|p| bars(p).len()).collect();
    assert_eq!(with, [0, 0, 2, 2]);
    let names: Vec<&str> = plates.iter().map(|p| p.name.as_str()).collect();
    assert_eq!(names, ["plate 1", "plate 2", "plate 3", "plate 4"]);
    assert_eq!(report.numbers["plugs"], 7.0);
    assert_eq!(report.numbers["parts"], 4.0);
    assert!(report.numbers["bound_s"] <= report.numbers["time_s"]);

    let none = Pack { plugs: PlugPlace::None, ..options };
    let (plates, report) = pack(none, parts);
    assert!(plates.iter().all(|p| bars(p).is_empty()));
    assert_eq!(report.numbers["plugs"], 0.0);
    assert!(plates[0].placed.iter().all(|p| p.part.vents.iter().all(|v| v.plug.is_none())));
}

/// A part that fills its plate is not left out for the sake of its plugs.
#[test]
fn plugs_without_room_beside_their_part_go_elsewhere() {
    let mut part = vented("signal box", 20.0, &[2.0]);
    let (x, y) = (Setup::default().machine.width_mm - 2.5, Setup::default().machine.depth_mm - 2.5);
    part.body = shapes::cuboid(x, y, 6.0).unwrap();
    let (plates, report) = pack(Pack::default(), vec![part]);
    assert_eq!(report.findings, []);
    assert_eq!(plates.len(), 2);
    assert_eq!(bars(&plates[0]).len() + bars(&plates[1]).len(), 1);
}

#[test]
fn bars_print_without_a_word_from_the_check() {
    let holes = [1.5, 2.5, 4.0, 6.0, 10.0];
    let parts = vec![vented("porter", 20.0, &holes)];
    let (plates, _) = pack(Pack { plugs: PlugPlace::Apart, ..Pack::default() }, parts);
    let found = inspect_plate(&plates[1], &ctx()).unwrap().findings;
    let bad: Vec<&Finding> = found.iter().filter(|f| f.severity > Severity::Note).collect();
    assert!(bad.is_empty(), "{bad:?}");
}

#[test]
fn the_sheet_names_the_plug_of_every_hole_and_what_to_do_without() {
    let mut part = vented("porter", 20.0, &[2.0, 3.0]);
    part.vents[0].mouth = Point::new(10.0, 0.0, 2.0);
    part.vents[0].inward = -Vector::x();
    let sheets = |plugs: PlugPlace| {
        let (plates, _) = pack(Pack { plugs, ..Pack::default() }, vec![part.clone()]);
        Estimate::default().apply(&plates[0], &ctx()).unwrap().value
    };
    let cost = sheets(PlugPlace::Beside);
    assert_eq!(cost.plugs, 2);
    assert_eq!(cost.placed.iter().filter_map(|p| p.bar.as_ref()).count(), 1);
    let sheet = |name: &str| cost.sheets.iter().find(|s| s.part == name).unwrap();
    let said = sheet("porter").steps.join("\n");
    for words in
        ["plug 1 into the hole of 2.0 mm on its right", "plug 2 into the hole of 3.0 mm on its top"]
    {
        assert!(said.contains(words), "{said}");
    }
    assert!(!said.contains("No plug"));
    let bar = sheet("porter plugs").steps.join("\n");
    assert!(bar.contains("plug 1, plug 2") && bar.contains("holes of porter"), "{bar}");
    assert!(!bar.contains("Cure"), "{bar}");

    let cost = sheets(PlugPlace::None);
    let said = cost.sheets[0].steps.join("\n");
    assert!(said.contains("No plug comes for the hole of 2.0 mm on its right"), "{said}");
    assert!(said.contains("fill it with resin") && !said.contains("Glue in"), "{said}");
    assert_eq!((cost.plugs, cost.sheets[0].plugs), (0, 0));
    assert_eq!(cost.sheets[0].cavities[0].open.len(), 2);
}
