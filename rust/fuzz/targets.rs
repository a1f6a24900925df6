//! What must hold for any bytes at all: readers refuse or read, geometry keeps its promises.

use std::path::PathBuf;
use vatwright::layers::{Grid, SUBPIXEL, Scan, Surface};
use vatwright::mesh::distance::Tree;
use vatwright::mesh::health::diagnose;
use vatwright::mesh::{boolean, io, measure::volume_mm3, shapes};
use vatwright::passes::repair::{Repair, Strength};
use vatwright::{
    Bounds, Error, Job, Mesh, Part, Point, Pose, Recipe, Report, Setup, Solid, format,
};

/// A name, and what must hold for any bytes.
type Target = (&'static str, fn(&[u8]));

/// Every target.
pub(crate) const TARGETS: [Target; 10] = [
    ("stl", |data| read("stl", data)),
    ("obj", |data| read("obj", data)),
    ("threemf", threemf),
    ("part", part),
    ("setup", setup),
    ("recipe", recipe),
    ("report", report),
    ("repair", mend),
    ("boolean", cut),
    ("scan", scan),
];

/// A file that goes with its owner.
struct Temporary(PathBuf);

impl Temporary {
    fn named(name: &str) -> Temporary {
        let thread = std::thread::current().id();
        let name = format!("vatwright-fuzz-{}-{thread:?}.{name}", std::process::id());
        Temporary(std::env::temp_dir().join(name))
    }
}

impl Drop for Temporary {
    fn drop(&mut self) {
        let _ = std::fs::remove_file(&self.0);
    }
}

/// A model file is read or refused with a message; what is read is written and read again.
fn read(ending: &str, data: &[u8]) {
    let file = Temporary::named(ending);
    std::fs::write(&file.0, data).expect("a folder to write in");
    let options = io::ReadOptions { max_bytes: 1 << 24, ..Default::default() };
    match io::read(&file.0, &options) {
        Ok(mesh) => {
            assert!(mesh.vertices().iter().all(|p| p.iter().all(|x| x.is_finite())));
            let item = io::Item { name: "again", mesh: &mesh, pose: Pose::identity() };
            let again = Temporary::named("again.stl");
            // What reaches farther than a file may is refused, and nothing else.
            match io::write(&again.0, &[item]) {
                Ok(()) => {
                    let back = io::read(&again.0, &options).expect("what was written is read");
                    assert_eq!(back.triangles().len(), mesh.triangles().len());
                }
                Err(error) => {
                    assert!(matches!(error, Error::Mesh { .. } | Error::Value { .. }), "{error}");
                }
            }
        }
        Err(error) => assert!(!error.to_string().is_empty()),
    }
}

/// A 3MF as it stands, or its model part alone.
fn threemf(data: &[u8]) {
    if data.starts_with(b"PK") {
        return read("3mf", data);
    }
    use std::io::Write;
    let mut zip = zip::ZipWriter::new(std::io::Cursor::new(Vec::new()));
    let stored =
        zip::write::SimpleFileOptions::default().compression_method(zip::CompressionMethod::Stored);
    zip.start_file("3D/3dmodel.model", stored).expect("a name");
    zip.write_all(data).expect("memory");
    read("3mf", zip.finish().expect("memory").get_ref());
}

fn part(data: &[u8]) {
    let Ok(part) = format::from_bytes::<Part>(data, "Part") else { return };
    let bytes = format::to_bytes(&part).expect("what was read is written");
    let again: Part = format::from_bytes(&bytes, "Part").expect("what was written is read");
    assert_eq!(format::to_bytes(&again).expect("as before"), bytes);
}

fn setup(data: &[u8]) {
    let Ok(text) = std::str::from_utf8(data) else { return };
    let Ok(setup) = Setup::from_toml(text, "fuzz") else { return };
    assert_eq!(Setup::from_toml(&setup.to_toml(), "again").expect("what was written"), setup);
}

fn recipe(data: &[u8]) {
    let Ok(text) = std::str::from_utf8(data) else { return };
    for read in [Recipe::from_toml, Recipe::from_json] {
        let Ok(recipe) = read(text, "fuzz") else { continue };
        let (toml, json) = (recipe.to_toml().expect("valid"), recipe.to_json().expect("valid"));
        for again in [Recipe::from_toml(&toml, "toml"), Recipe::from_json(&json, "json")] {
            assert_eq!(again.expect("what was written").to_json().expect("valid"), json);
        }
    }
}

fn report(data: &[u8]) {
    let Ok(report) = serde_json::from_slice::<Report>(data) else { return };
    let text = serde_json::to_string(&report).expect("what was read is written");
    assert_eq!(serde_json::from_str::<Report>(&text).expect("what was written"), report);
}

/// Facets over a coarse grid, three bytes each: every kind of defect, all at once.
fn mend(data: &[u8]) {
    let Some((&strength, data)) = data.split_first() else { return };
    let vertices = (0..27u8).map(|i| Point::from([i % 3, i / 3 % 3, i / 9].map(f64::from)));
    let facets =
        data.chunks_exact(3).take(60).map(|t| [t[0], t[1], t[2]].map(|i| u32::from(i % 27)));
    let soup = Mesh::new("soup", vertices.collect(), facets.collect()).expect("indices in range");
    diagnose(&soup);
    let strength = [Strength::Mend, Strength::Fill, Strength::Rebuild][usize::from(strength % 3)];
    match (Repair { strength, ..Repair::default() }).mesh(soup, &Job::default()) {
        Ok(done) => {
            let health = diagnose(&done.value.solid);
            assert!(health.closed && health.inside_out_shells.count == 0);
        }
        Err(error) => assert!(matches!(error, Error::NotSolid { .. }), "{error}"),
    }
}

/// A block of whole millimetres, so that faces and edges of several fall together.
fn block(bytes: &[u8]) -> Solid {
    let size = [bytes[0], bytes[1], bytes[2]].map(|b| f64::from(1 + b % 6));
    let at = [bytes[3], bytes[4], bytes[5]].map(|b| f64::from(b % 6));
    let block = shapes::cuboid(size[0], size[1], size[2]).expect("a block");
    let moved = block.transformed(&Pose::translation(at[0], at[1], at[2]));
    Solid::try_from(moved).expect("still a block")
}

/// Volumes of union, intersection and difference go together (inclusion and exclusion).
fn cut(data: &[u8]) {
    if data.len() < 12 {
        return;
    }
    let (a, b, job) = (block(data), block(&data[6..]), Job::default());
    let volume = |cut: vatwright::Result<boolean::Cut>| match cut {
        Ok(cut) => volume_mm3(&cut.solid),
        Err(Error::NotSolid { .. }) => 0.0,
        Err(error) => panic!("{error}"),
    };
    let (of_a, of_b) = (volume_mm3(&a), volume_mm3(&b));
    let both = volume(boolean::intersect(&a, &b, &job));
    let either = volume(boolean::union(&[&a, &b], &job));
    let rest = volume(boolean::subtract(&a, &[&b], &job));
    assert!((either + both - of_a - of_b).abs() < 1e-6, "{either} + {both} of {of_a} and {of_b}");
    assert!((rest + both - of_a).abs() < 1e-6, "{rest} + {both} of {of_a}");
}

/// Pixels of the layer engine are solid where the winding number is not zero.
fn scan(data: &[u8]) {
    // Tetrahedra at random, overlapping as they please, each facing outward.
    let points: Vec<Point> = data
        .chunks_exact(3)
        .take(24)
        .map(|c| Point::from([c[0], c[1], c[2]].map(|b| 0.3 + 9.4 * f64::from(b) / 255.0)))
        .collect();
    let mut triangles = Vec::new();
    for (i, t) in points.chunks_exact(4).enumerate() {
        let outward = (t[1] - t[0]).cross(&(t[2] - t[0])).dot(&(t[3] - t[0])) > 0.0;
        for f in [[0, 2, 1], [0, 1, 3], [1, 2, 3], [0, 3, 2]] {
            let f: [u32; 3] = if outward { f } else { [f[0], f[2], f[1]] };
            triangles.push(f.map(|v| 4 * i as u32 + v));
        }
    }
    let mesh = Mesh::new("tetrahedra", points, triangles).expect("indices in range");
    let bounds = Bounds { min: Point::origin(), max: Point::new(10.0, 10.0, 10.0) };
    let grid = Grid::over(&bounds, 1.0, 1.0).expect("a small grid");
    let layers = Scan::new(&[Surface::body(&mesh)], grid).layers(&Job::default()).expect("layers");
    let tree = Tree::of(&mesh);
    for k in 0..grid.layers {
        let mask = layers.mask(k);
        for (j, i) in (0..grid.rows).flat_map(|j| (0..grid.columns).map(move |i| (j, i))) {
            let p = grid.pixel(i, j, k);
            let found = mask[(j * grid.columns + i) as usize] > 0;
            if found != (winding(&mesh, &p) != 0) {
                // Only rounding of a crossing to the nearest sub-pixel may excuse it.
                let by = 2.0 / f64::from(SUBPIXEL);
                let near = tree.crossings(0, &p).iter().any(|c| (c.at_mm - p.x).abs() <= by);
                assert!(near, "{found} at {p}");
            }
        }
    }
}

/// Winding number by solid angles (Van Oosterom & Strackee 1983, IEEE TBME 30:125; from memory).
pub(crate) fn winding(mesh: &Mesh, p: &Point) -> i32 {
    let angle: f64 = (0..mesh.triangles().len())
        .map(|i| {
            let [a, b, c] = mesh.corners(i).map(|q| q - p);
            let (la, lb, lc) = (a.norm(), b.norm(), c.norm());
            let below = la * lb * lc + a.dot(&b) * lc + b.dot(&c) * la + c.dot(&a) * lb;
            2.0 * a.dot(&b.cross(&c)).atan2(below)
        })
        .sum();
    (angle / (4.0 * std::f64::consts::PI)).round() as i32
}
