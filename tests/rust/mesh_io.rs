//! Meshes survive the way to a file and back; files that lie are refused with a reason.

use crate::common::shared;
use proptest::prelude::*;
use std::fs;
use std::io::{Read, Write};
use std::path::PathBuf;
use std::sync::LazyLock;
use vatwright::mesh::io::{self, Item, ReadOptions};
use vatwright::mesh::measure::measure;
use vatwright::{Error, Mesh, Point, Pose, Solid, Vector};

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

#[test]
fn threemf_keeps_names_places_and_shared_meshes() {
    let file = Temporary::new("plate.3mf");
    let mesh = tetrahedron();
    let turned = Pose::new(Vector::new(10.0, 20.0, 0.5), Vector::z() * 0.7);
    let items = [
        Item { name: "guard <1> & \u{1}\"co\"", mesh: &mesh, pose: Pose::identity() },
        Item { name: "porter", mesh: &mesh, pose: turned },
        Item { name: "porter", mesh: &mesh, pose: Pose::translation(-5.0, 0.0, 0.0) },
    ];
    io::write(&file.0, &items).unwrap();
    let first = fs::read(&file.0).unwrap();
    io::write(&file.0, &items).unwrap();
    assert_eq!(fs::read(&file.0).unwrap(), first, "equal items give equal bytes");

    let back = io::read_objects(&file.0, &ReadOptions::default()).unwrap();
    let names: Vec<&str> = back.iter().map(Mesh::name).collect();
    assert_eq!(names, ["guard <1> & \u{fffd}\"co\"", "porter", "porter"]);
    for (mesh, item) in back.iter().zip(&items) {
        for (a, b) in soup(mesh).iter().flatten().zip(soup(item.mesh).iter().flatten()) {
            assert!((a - item.pose * b).norm() < 1e-6);
        }
    }
    assert_eq!(file.read().unwrap().triangles().len(), 12);
    let metres = ReadOptions { unit_mm: Some(1000.0), ..Default::default() };
    assert_eq!(io::read_objects(&file.0, &metres).unwrap()[0].bounds().max.x, 1000.0);
    assert!(fs::metadata(&file.0).unwrap().len() < 2000, "a mesh that is shared is stored once");
}

#[test]
fn obj_faces_split_into_triangles_under_their_objects_names() {
    // An L-shaped prism: its ends are concave hexagons, indices count from either end.
    let text = "# made by hand\nmtllib x.mtl\n\
        v 0 0 0\nv 2 0 0\nv 2 1 0\nv 1 1 0\nv 1 2 0\nv 0 2 0\n\
        v 0 0 3\nv 2 0 3\nv 2 1 3\nv 1 1 3\nv 1 2 3\nv 0 2 3\n\
        vn 0 0 1\no bracket\nf 6 5 4 3 2 1\nf -6//1 -5//1 -4//1 -3//1 \\\n -2//1 -1//1\n\
        f 1 2 8 7\nf 2/1 3/1 9/1 8/1\nf 3 4 10 9\nf 4 5 11 10\nf 5 6 12 11\nf 6 1 7 12\n";
    let file = Temporary::holding("bracket.obj", text.as_bytes());
    let mesh = file.read().unwrap();
    assert_eq!((mesh.name(), mesh.triangles().len()), ("bracket", 20));
    let solid = Solid::try_from(mesh).unwrap();
    let m = measure(&solid);
    assert!((m.volume_mm3 - 9.0).abs() < 1e-12 && (m.area_mm2 - 30.0).abs() < 1e-12, "{m:?}");

    let two = format!("{text}o plate\nf 1 2 3\n");
    let file = Temporary::holding("two.obj", two.as_bytes());
    let both = io::read_objects(&file.0, &ReadOptions::default()).unwrap();
    assert_eq!(both.iter().map(Mesh::name).collect::<Vec<_>>(), ["bracket", "plate"]);

    for (bad, parts) in [
        ("v 0 0 0\nf 1 2 3\n", ["line 2", "vertex '2' of 1"]),
        ("v 0 0 0\nf 1 0 1\n", ["line 2", "vertex '0' of 1"]),
        ("v 0 0 0\nf 1 -4000000000 1\n", ["line 2", "of 1"]),
        ("v 0 0 0\nf 99999999999999999999 1 1\n", ["line 2", "of 1"]),
        ("v 0 0 nan\n", ["line 1", "finite"]),
        ("v 0 0\n", ["line 1", "three"]),
        ("v 0 0 0\nf 1 1\n", ["line 2", "2 corners"]),
        ("v 0 0 0\n", ["faces", "none"]),
    ] {
        let file = Temporary::holding("bad.obj", bad.as_bytes());
        let e = file.read().unwrap_err().to_string();
        assert!(parts.iter().all(|p| e.contains(p)), "{e}");
    }
}

/// A package of one model part.
fn package(name: &str, model: &[u8]) -> Temporary {
    let file = Temporary::new(name);
    let mut zip = zip::ZipWriter::new(fs::File::create(&file.0).unwrap());
    zip.start_file("3D/3dmodel.model", zip::write::SimpleFileOptions::default()).unwrap();
    zip.write_all(model).unwrap();
    zip.finish().unwrap();
    file
}

/// A zip bomb and an assembly that doubles sixteen times must stop at the limit.
/// A package of an object for each (name, type) and a build item of each.
fn typed(objects: &[(&str, &str)]) -> Vec<u8> {
    let mesh = concat!(
        r#"<mesh><vertices><vertex x="0" y="0" z="0"/><vertex x="1" y="0" z="0"/>"#,
        r#"<vertex x="0" y="1" z="0"/><vertex x="0" y="0" z="1"/></vertices><triangles>"#,
        r#"<triangle v1="0" v2="2" v3="1"/><triangle v1="0" v2="1" v3="3"/>"#,
        r#"<triangle v1="0" v2="3" v3="2"/><triangle v1="1" v2="2" v3="3"/></triangles></mesh>"#
    );
    let mut text = String::from(r#"<model unit="millimeter"><resources>"#);
    for (i, (name, kind)) in objects.iter().enumerate() {
        let kind = if kind.is_empty() { String::new() } else { format!(r#" type="{kind}""#) };
        text += &format!(r#"<object id="{}" name="{name}"{kind}>{mesh}</object>"#, i + 1);
    }
    text += "</resources><build>";
    (1..=objects.len()).for_each(|i| text += &format!(r#"<item objectid="{i}"/>"#));
    (text + "</build></model>").into_bytes()
}

/// The core specification of ISO/IEC 25422 (from memory): an object's type is one of model,
/// solidsupport, support, surface, other; model when none is given.
#[test]
fn only_models_of_a_3mf_are_read_and_the_rest_is_noted() {
    let file = package(
        "typed.3mf",
        &typed(&[("lamp", ""), ("stand", "support"), ("post", "model"), ("block", "other")]),
    );
    let objects = io::read_objects(&file.0, &ReadOptions::default()).unwrap();
    assert_eq!(objects.iter().map(Mesh::name).collect::<Vec<_>>(), ["lamp", "post"]);
    let whole = file.read().unwrap();
    let notes = whole.notes().join(" ");
    assert!(notes.contains("'stand'") && notes.contains("'block'"), "{notes}");
    let mended = vatwright::mesh::health::repair(objects[0].clone(), &Default::default()).unwrap();
    assert_eq!(mended.report.findings.iter().filter(|f| f.code == "reading").count(), 2);

    let none = package("none.3mf", &typed(&[("stand", "solidsupport")])).read().unwrap_err();
    assert!(none.to_string().contains("'solidsupport'"), "{none}");
}

#[test]
fn a_package_of_two_models_gives_the_one_it_starts_with() {
    let file = Temporary::new("two.3mf");
    let mut zip = zip::ZipWriter::new(fs::File::create(&file.0).unwrap());
    let relation = |part: &str| {
        format!(
            r#"<Relationship Target="/{part}" Id="{part}" Type="http://schemas.microsoft.com/3dmanufacturing/2013/01/3dmodel"/>"#
        )
    };
    let relations =
        format!("<Relationships>{}{}</Relationships>", relation("b.model"), relation("a.model"));
    for (name, bytes) in [
        ("_rels/.rels", relations.into_bytes()),
        ("a.model", typed(&[("first", "")])),
        ("b.model", typed(&[("second", "")])),
        ("c.model", typed(&[("third", "")])),
    ] {
        zip.start_file(name, zip::write::SimpleFileOptions::default()).unwrap();
        zip.write_all(&bytes).unwrap();
    }
    zip.finish().unwrap();
    let objects = io::read_objects(&file.0, &ReadOptions::default()).unwrap();
    assert_eq!(objects.iter().map(Mesh::name).collect::<Vec<_>>(), ["second"]);
    let notes = objects[0].notes().join(" ");
    assert!(notes.contains("'a.model'") && notes.contains("'c.model'"), "{notes}");
}

#[test]
fn what_follows_the_last_facet_of_a_binary_stl_is_passed_over_and_noted() {
    let file = Temporary::new("tail.stl");
    io::write(&file.0, &[item(&tetrahedron())]).unwrap();
    let sound = fs::read(&file.0).unwrap();
    for tail in [&[7_u8][..], &[0; 300], b"made by hand"] {
        fs::write(&file.0, [&sound, tail].concat()).unwrap();
        let mesh = file.read().unwrap();
        assert_eq!(soup(&mesh), soup(&tetrahedron()));
        assert!(mesh.notes()[0].contains(&tail.len().to_string()), "{:?}", mesh.notes());
    }
    // As much as a facet and not zero: the header may be wrong, and nobody can say which it is.
    fs::write(&file.0, [&sound, &[7; 50][..]].concat()).unwrap();
    assert!(file.read().is_err());
}

#[test]
fn a_small_3mf_cannot_ask_for_boundless_memory() {
    let small = ReadOptions { max_bytes: 100_000, ..Default::default() };
    let spaces = package("spaces.3mf", &[b"<model>".as_slice(), &[b' '; 1_000_000]].concat());
    assert!(matches!(io::read(&spaces.0, &small), Err(Error::Limit { .. })));

    let mut model = "<model><resources><object id=\"1\"><mesh><vertices>\
        <vertex x=\"0\" y=\"0\" z=\"0\"/></vertices><triangles>\
        <triangle v1=\"0\" v2=\"0\" v3=\"0\"/></triangles></mesh></object>"
        .to_string();
    for id in 2..17 {
        let twice = format!("<component objectid=\"{}\"/>", id - 1).repeat(2);
        model += &format!("<object id=\"{id}\"><components>{twice}</components></object>");
    }
    let build = |id: u32| {
        let end = format!("</resources><build><item objectid=\"{id}\"/></build></model>");
        package("bomb.3mf", (model.clone() + &end).as_bytes())
    };
    assert_eq!(build(4).read().unwrap().triangles().len(), 8);
    assert!(matches!(io::read(&build(16).0, &small), Err(Error::Limit { .. })));
    let circle = model.replace("objectid=\"1\"", "objectid=\"5\"")
        + "</resources><build><item objectid=\"9\"/></build></model>";
    let circle = package("circle.3mf", circle.as_bytes());
    let e = circle.read().unwrap_err().to_string();
    assert!(e.contains("nest deeper"), "{e}");
}

/// Samples of the 3MF Consortium and collections of odd STL files: what their makers broke is
/// refused, the rest is read.
#[test]
fn odd_files_of_others_load_or_are_refused_with_a_reason() {
    let refused = [
        ("DOS-FUZ-LIB3MF.3mf", "checksum"),
        ("NotListed.3mf", "extension 'xxx'"),
        ("Unsupported.3mf", "extension 'us'"),
        ("incomplete_normal_ascii.stl", "line 7: found 'endloop'"),
        ("incomplete_vertex_ascii.stl", "line 7: found 'endloop'"),
        ("empty_file.stl", "empty"),
        ("incomplete_binary.stl", "header: 12, which"),
        ("quad.ascii.stl", "line 7: found 'vertex'"),
        ("fourVertices.ascii.stl", "line 7: found 'vertex'"),
        ("twoVertices.ascii.stl", "line 6: found 'endloop'"),
        ("incorrectFaceCounter.bin.stl", "header: 66, which"),
        ("empty.stl", "empty"),
        ("faceless.ascii.stl", "there are none"),
        ("multiWordName.bin.stl", "header: 4, which take 284 bytes"),
    ];
    let read = [
        ("WagonWithWheels.3mf", 376, 200),
        ("production_components.3mf", 8, 8),
        ("box.3mf", 12, 8),
        ("malformed_property_index_oob.3mf", 1, 3),
        ("stencil_binary.stl", 2330, 1157),
        ("sphere_binary.stl", 1360, 682),
        ("crazy_whitespace_ascii.stl", 1, 3),
        ("misleading_binary_header.stl", 1, 3),
        ("wrongHeader.bin.stl", 12, 8),
        ("missingFace.ascii.stl", 3, 4),
        ("notANumberNormal.ascii.stl", 4, 4),
        ("tetrahedronMinusZero.bin.stl", 4, 4),
    ];
    let mut seen = 0;
    for folder in [
        "threemf",
        "broken/microstl",
        "broken/stl-models/broken",
        "broken/stl-models/misc",
        "broken/stl-models/polytopes",
    ] {
        let Some(folder) = shared(folder) else { return };
        for entry in fs::read_dir(folder).unwrap() {
            let path = entry.unwrap().path();
            let name = path.file_name().unwrap().to_string_lossy().into_owned();
            let reason = refused.iter().find(|(file, _)| *file == name);
            match (io::read(&path, &ReadOptions::default()), reason) {
                (Ok(m), None) => {
                    let counts = (m.triangles().len(), m.vertices().len());
                    if let Some((_, t, v)) = read.iter().find(|(file, ..)| *file == name) {
                        assert_eq!(counts, (*t, *v), "{name}");
                    }
                }
                (Err(e @ Error::Format { .. }), Some((_, words))) => {
                    assert!(e.to_string().contains(words), "{e}");
                }
                (other, _) => panic!("{name}: {other:?}"),
            }
            seen += 1;
        }
    }
    assert_eq!(seen, 56);
}

/// The 3MF wagon was the source of the catalogue's STL.
#[test]
fn one_model_reads_alike_from_two_formats() {
    let (Some(a), Some(b)) =
        (shared("threemf/WagonWithWheels.3mf"), shared("meshes/wagon_wheels.stl"))
    else {
        return;
    };
    let [a, b] = [a, b].map(|f| measure(&io::read(f, &ReadOptions::default()).unwrap()));
    assert!((a.volume_mm3 / b.volume_mm3 - 1.0).abs() < 1e-6);
    assert!((a.bounds.min - b.bounds.min).norm() < 1e-4);
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
    refused(&promise, &["header: 4294967295, which", "has 284"]);
    promise[80..84].copy_from_slice(&2u32.to_le_bytes());
    refused(&promise, &["header: 2, which take 184 bytes"]);
    refused(&good[..good.len() - 10], &["header: 4, which"]);
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

/// A sound file of every format that is read.
static SOUND: LazyLock<[(&'static str, Vec<u8>); 4]> = LazyLock::new(|| {
    let written = |name: &str| {
        let file = Temporary::new(name);
        io::write(&file.0, &[item(&tetrahedron())]).unwrap();
        fs::read(&file.0).unwrap()
    };
    [
        ("stl", written("sound.stl")),
        ("stl", format!("solid x\n{FACETS}{FACETS}endsolid x\n").into_bytes()),
        ("obj", b"o x\nv 0 0 0\nv 1 0 0\nv 1 1 0\nv 0 1 0\nf 1 2 3 4\nf -1/1 -2/1 -3/1\n".into()),
        ("3mf", written("sound.3mf")),
    ]
});

proptest! {
    #![proptest_config(ProptestConfig::with_cases(96))]

    #[test]
    fn damaged_files_never_panic(
        format in 0..4usize,
        edits in prop::collection::vec((any::<prop::sample::Index>(), any::<u8>()), 1..8),
        cut in any::<prop::sample::Index>(),
        whole in any::<bool>(),
    ) {
        let (ending, mut bytes) = SOUND[format].clone();
        for (at, value) in edits {
            let at = at.index(bytes.len());
            bytes[at] = value;
        }
        if !whole {
            bytes.truncate(cut.index(bytes.len() + 1));
        }
        let _ = Temporary::holding(&format!("damaged.{ending}"), &bytes).read();
    }

    /// The model part itself damaged, inside a sound package.
    #[test]
    fn damaged_xml_never_panics(
        edits in prop::collection::vec((any::<prop::sample::Index>(), 32..127u8), 1..8),
    ) {
        let (_, bytes) = &SOUND[3];
        let mut archive = zip::ZipArchive::new(std::io::Cursor::new(bytes)).unwrap();
        let mut model = Vec::new();
        archive.by_name("3D/3dmodel.model").unwrap().read_to_end(&mut model).unwrap();
        for (at, value) in edits {
            let at = at.index(model.len());
            model[at] = value;
        }
        let _ = package("damaged-part.3mf", &model).read();
    }

    #[test]
    fn what_is_written_is_read_again(
        corners in prop::collection::vec(prop::array::uniform3(-1e4..1e4f32), 3..30),
        picks in prop::collection::vec(prop::array::uniform3(any::<prop::sample::Index>()), 1..40),
    ) {
        let vertices = corners.iter().map(|c| Point::from(c.map(f64::from))).collect();
        let triangles = picks.iter().map(|t| t.map(|i| i.index(corners.len()) as u32)).collect();
        let mesh = Mesh::new("any", vertices, triangles).unwrap();
        let stl = Temporary::new("any.stl");
        io::write(&stl.0, &[item(&mesh)]).unwrap();
        prop_assert_eq!(soup(&stl.read().unwrap()), soup(&mesh));

        // 3MF rounds to a nanometre and leaves out triangles with a repeated corner.
        let kept = soup(&mesh).into_iter().filter(|[a, b, c]| a != b && b != c && c != a);
        let kept: Vec<[Point; 3]> = kept.collect();
        let threemf = Temporary::new("any.3mf");
        io::write(&threemf.0, &[item(&mesh)]).unwrap();
        match threemf.read() {
            Ok(back) => {
                prop_assert_eq!(back.triangles().len(), kept.len());
                for (a, b) in soup(&back).as_flattened().iter().zip(kept.as_flattened()) {
                    prop_assert!((a - b).amax() <= 0.51e-6);
                }
            }
            Err(e) => prop_assert!(kept.is_empty(), "{}", e),
        }
    }
}
