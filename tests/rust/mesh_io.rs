//! Meshes survive the way to a file and back; files that lie are refused with a reason.

use proptest::prelude::*;
use std::fs;
use std::path::PathBuf;
use vatwright::mesh::io::{self, Item, ReadOptions};
use vatwright::{Error, Mesh, Point, Pose};

/// A file of its own for each test, removed at the end.
struct Temporary(PathBuf);

impl Temporary {
    fn new(name: &str) -> Temporary {
        let dir = std::env::temp_dir().join(format!("vatwright-{}", std::process::id()));
        fs::create_dir_all(&dir).unwrap();
        Temporary(dir.join(name))
    }

    fn holding(name: &str, bytes: &[u8]) -> Temporary {
        let file = Temporary::new(name);
        fs::write(&file.0, bytes).unwrap();
        file
    }

    fn read(&self) -> vatwright::Result<Mesh> {
        io::read(&self.0, &ReadOptions::default())
    }
}

impl Drop for Temporary {
    fn drop(&mut self) {
        let _ = fs::remove_file(&self.0);
    }
}

fn tetrahedron() -> Mesh {
    let vertices = [[0.0, 0.0, 0.0], [1.0, 0.0, 0.0], [0.0, 1.0, 0.0], [0.0, 0.0, 1.0]];
    let triangles = vec![[0, 2, 1], [0, 1, 3], [0, 3, 2], [1, 2, 3]];
    Mesh::new("guard", vertices.map(Point::from).to_vec(), triangles).unwrap()
}

fn item(mesh: &Mesh) -> Item<'_> {
    Item { name: mesh.name(), mesh, pose: Pose::identity() }
}

/// The corners of every triangle, whatever the vertex order.
fn soup(mesh: &Mesh) -> Vec<[Point; 3]> {
    (0..mesh.triangles().len()).map(|i| mesh.corners(i)).collect()
}

#[test]
fn binary_stl_round_trips_and_welds() {
    let file = Temporary::new("round.stl");
    io::write(&file.0, &[item(&tetrahedron())]).unwrap();
    let back = file.read().unwrap();
    assert_eq!(soup(&back), soup(&tetrahedron()));
    assert_eq!((back.vertices().len(), back.name()), (4, "round"));
    let inches = ReadOptions { unit_mm: Some(25.4), ..Default::default() };
    assert_eq!(io::read(&file.0, &inches).unwrap().bounds().max.x, 25.4);
}

const FACETS: &str = "facet normal 0 0 0\nouter loop\nvertex 0 0 0\nvertex 1 0 0\nvertex 0 1 0\n\
                      endloop\nendfacet\n";

#[test]
fn text_stl_is_read_with_forgiveness() {
    let name = |text: &[u8]| {
        let file = Temporary::holding("text.stl", text);
        let mesh = file.read().unwrap_or_else(|e| panic!("{e}"));
        (mesh.name().to_string(), mesh.triangles().len())
    };
    let plain = format!("solid porter\n{FACETS}endsolid porter\n");
    assert_eq!(name(plain.as_bytes()), ("porter".into(), 1));
    assert_eq!(name(plain.to_uppercase().as_bytes()), ("PORTER".into(), 1));
    assert_eq!(name(format!("\n  solid\n{FACETS}").as_bytes()), ("text".into(), 1));
    assert_eq!(name(plain.replace('\n', "\r\n").as_bytes()), ("porter".into(), 1));
    assert_eq!(name(plain.replace("outer loop", "outer\nloop").as_bytes()).1, 1);
    assert_eq!(name(plain.replace(" normal 0 0 0", "").as_bytes()).1, 1);
    assert_eq!(name(plain.replace("0 0 0\nouter", "nan nan nan\nouter").as_bytes()).1, 1);
    assert_eq!(name(format!("{plain}{plain}").as_bytes()), ("text".into(), 2));
    let latin = [b"solid caf\xe9\n".as_slice(), FACETS.as_bytes()].concat();
    assert_eq!(name(&latin).0, "caf\u{fffd}");
}

#[test]
fn solids_of_one_file_can_be_read_apart() {
    let text = format!("solid a\n{FACETS}endsolid a\nsolid b\n{FACETS}endsolid b\n");
    let file = Temporary::holding("two.stl", text.as_bytes());
    let both = io::read_objects(&file.0, &ReadOptions::default()).unwrap();
    assert_eq!(both.iter().map(Mesh::name).collect::<Vec<_>>(), ["a", "b"]);
}

#[test]
fn files_that_lie_are_refused_with_place_and_remedy() {
    let refused = |bytes: &[u8], parts: &[&str]| {
        let file = Temporary::holding("lies.stl", bytes);
        let e = file.read().unwrap_err();
        assert!(matches!(e, Error::Format { .. }), "{e}");
        for part in parts.iter().chain(&["lies.stl"]) {
            assert!(e.to_string().contains(part), "{e}");
        }
    };
    refused(b"", &["byte 0", "empty"]);
    refused(b"solid x\nendsolid x\n", &["facets", "none"]);
    refused(b"solid ground is what this letter is about", &["no"]);
    refused(b"solid x\nLorem ipsum\n", &["line 2", "Lorem"]);
    refused(FACETS.replace("0 1 0", "0 inf 0").as_bytes(), &["bytes"]);
    let text = format!("solid x\n{FACETS}");
    refused(text.replace("0 1 0", "0 inf 0").as_bytes(), &["line 6", "inf"]);
    refused(text.replace("vertex 0 1 0\n", "").as_bytes(), &["line 6", "endloop"]);
    refused(text.replace("vertex 0 1 0", "vertex 0 1 0\nvertex 1 1 0").as_bytes(), &["line 7"]);
    refused(&text.as_bytes()[..text.len() - 20], &["cut short"]);

    let file = Temporary::new("good.stl");
    io::write(&file.0, &[item(&tetrahedron())]).unwrap();
    let good = fs::read(&file.0).unwrap();
    let mut promise = good.clone();
    promise[80..84].copy_from_slice(&u32::MAX.to_le_bytes());
    refused(&promise, &["promises 4294967295 facets", "hold 4"]);
    promise[80..84].copy_from_slice(&2u32.to_le_bytes());
    refused(&promise, &["promises 2 facets", "hold 4"]);
    refused(&good[..good.len() - 10], &["promises 4 facets"]);
    let mut nan = good.clone();
    nan[84 + 50 + 12..84 + 50 + 16].copy_from_slice(&f32::NAN.to_le_bytes());
    refused(&nan, &["facet 1", "finite"]);
    let mut solid = good;
    solid[..6].copy_from_slice(b"solid\n");
    fs::write(&file.0, solid).unwrap();
    assert_eq!(soup(&file.read().unwrap()), soup(&tetrahedron()));
}

#[test]
fn reading_stops_at_the_stated_limit() {
    let file = Temporary::new("large.stl");
    io::write(&file.0, &[item(&tetrahedron())]).unwrap();
    let small = ReadOptions { max_bytes: 100, ..Default::default() };
    assert!(matches!(io::read(&file.0, &small), Err(Error::Limit { .. })));
}

#[test]
fn close_vertices_weld_within_the_tolerance() {
    let text = format!("solid x\n{FACETS}{}", FACETS.replace("1 0 0", "1.0005 0 0"));
    let file = Temporary::holding("near.stl", text.as_bytes());
    assert_eq!(file.read().unwrap().vertices().len(), 4);
    let near = ReadOptions { weld_mm: 1e-3, ..Default::default() };
    assert_eq!(io::read(&file.0, &near).unwrap().vertices().len(), 3);
}

#[test]
fn a_failed_write_leaves_the_old_file_and_no_other() {
    let dir = std::env::temp_dir().join(format!("vatwright-atomic-{}", std::process::id()));
    fs::create_dir_all(dir.join("taken.stl/inner")).unwrap();
    let e = io::write(dir.join("taken.stl"), &[item(&tetrahedron())]).unwrap_err();
    assert!(matches!(e, Error::Io { action: "write", .. }), "{e}");
    assert_eq!(fs::read_dir(&dir).unwrap().count(), 1);
    fs::remove_dir_all(&dir).unwrap();
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(64))]

    #[test]
    fn damaged_stl_never_panics(
        edits in prop::collection::vec((any::<prop::sample::Index>(), any::<u8>()), 1..8),
        cut in any::<prop::sample::Index>(),
        text in any::<bool>(),
    ) {
        let file = Temporary::new("damaged.stl");
        let mut bytes = if text {
            format!("solid x\n{FACETS}{FACETS}endsolid x\n").into_bytes()
        } else {
            io::write(&file.0, &[item(&tetrahedron())]).unwrap();
            fs::read(&file.0).unwrap()
        };
        for (at, value) in edits {
            let at = at.index(bytes.len());
            bytes[at] = value;
        }
        bytes.truncate(cut.index(bytes.len() + 1));
        fs::write(&file.0, &bytes).unwrap();
        let _ = file.read();
    }
}
