//! Meshes in and out of files: STL, OBJ and 3MF in, STL, 3MF and glTF out.
//!
//! What is read is checked, since files come from anywhere: coordinates are finite, indices in
//! range, counts true, and memory is bounded by [`ReadOptions::max_bytes`].

mod atomic;
mod gltf;
mod obj;
mod stl;
mod threemf;

use super::{Mesh, Point, Pose, weld};
use crate::error::{Error, Result, check_range};
use crate::options::{Options, options};
use std::fs::File;
use std::io::Read;
use std::path::Path;

pub(crate) use atomic::write_atomic;
pub use gltf::{Node, write_gltf};

options! {
    /// How to read a mesh.
    pub struct ReadOptions at "read" {
        /// Length of one unit of the file in mm (25.4 for inches). `None`: what the file says, else
        /// 1 mm.
        unit_mm: Option<f64> = None, in 1e-6..=1e6 "mm", larger "a larger model";
        /// Vertices closer than this become one, mm. Zero: only equal ones.
        weld_mm: f64 = 0.0, in 0.0..=1.0 "mm", larger "more cracks close; fine detail may fuse";
        /// Most bytes to read, and to unpack from a compressed file.
        max_bytes: u64 = 2 << 30, larger "larger files; more memory";
    }
}

/// Reads a model as one mesh, equal vertices welded. It is named after the object in the file
/// or, where that has none or several, after the file. Binary STL has no names.
///
/// # Errors
/// [`Error::Io`] when the file cannot be read, [`Error::Format`] when it does not hold what its
/// format promises, [`Error::Limit`] when it is larger than the options allow, [`Error::Value`]
/// for options out of range.
///
/// ```
/// use vatwright::{Pose, mesh::{io, shapes::cuboid}};
/// let path = std::env::temp_dir().join("vatwright-doc-read.stl");
/// let block = cuboid(2.0, 3.0, 4.0)?;
/// io::write(&path, &[io::Item { name: "block", mesh: &block, pose: Pose::identity() }])?;
/// let mesh = io::read(&path, &io::ReadOptions::default())?;
/// assert_eq!(mesh.triangles().len(), 12);
/// # std::fs::remove_file(&path).unwrap();
/// # Ok::<(), vatwright::Error>(())
/// ```
pub fn read(path: impl AsRef<Path>, options: &ReadOptions) -> Result<Mesh> {
    let path = path.as_ref();
    let mut objects = read_objects(path, options)?;
    if objects.len() == 1 {
        return Ok(objects.remove(0));
    }
    Ok(Mesh::concat(stem(path), &objects).welded(options.weld_mm))
}

/// Reads every object of a file as a mesh of its own, at its place in the file: the solids of a
/// text STL, the objects of an OBJ, the build items of a 3MF. Never empty.
///
/// # Errors
/// As [`read`].
pub fn read_objects(path: impl AsRef<Path>, options: &ReadOptions) -> Result<Vec<Mesh>> {
    let path = path.as_ref();
    options.check_ranges()?;
    let source = Source { path };
    let bytes = source.load(options.max_bytes)?;
    if bytes.is_empty() {
        return Err(source.bad("byte 0", "the file is empty", "export it again"));
    }
    let (objects, unit_mm) = match extension(path).as_str() {
        _ if bytes.starts_with(b"PK\x03\x04") => threemf::read(&source, bytes, options.max_bytes)?,
        "stl" => (stl::read(&source, bytes)?, 1.0),
        "obj" => (obj::read(&source, bytes)?, 1.0),
        _ if stl::is_binary(&bytes) || stl::is_text(&bytes) => (stl::read(&source, bytes)?, 1.0),
        _ if obj::is_text(&bytes) => (obj::read(&source, bytes)?, 1.0),
        _ => {
            return Err(source.bad(
                "byte 0",
                "this is neither STL nor OBJ nor 3MF",
                "export the model in one of these",
            ));
        }
    };
    let scale = options.unit_mm.unwrap_or(unit_mm);
    objects
        .into_iter()
        .map(|mesh| {
            let mesh = if scale == 1.0 { mesh } else { mesh.scaled(scale)? };
            Ok(if options.weld_mm == 0.0 { mesh } else { mesh.welded(options.weld_mm) })
        })
        .collect()
}

/// A mesh to be written, at its place.
#[derive(Clone, Copy, Debug)]
pub struct Item<'a> {
    /// Name of the object in the file.
    pub name: &'a str,
    /// Its triangles. Items that share one mesh are stored once where the format allows.
    pub mesh: &'a Mesh,
    /// Takes mesh coordinates to the file's.
    pub pose: Pose,
}

/// Farthest a coordinate may be from the origin to be written, mm. A kilometre leaves
/// nanometres in double precision and is beyond any plate.
const FARTHEST_MM: f64 = 1e6;

/// Writes the items in mm, as binary STL (`.stl`: all items in one, names lost), 3MF (`.3mf`,
/// ISO/IEC 25422: an object a mesh, rounded to a nanometre) or binary glTF (`.glb`, ISO/IEC 12113,
/// for looking at: single precision). The file appears whole or not at
/// all, and equal items give equal bytes.
///
/// # Errors
/// [`Error::Io`] when it cannot be written, [`Error::Format`] for another ending,
/// [`Error::Value`] for a coordinate more than a kilometre away, [`Error::Mesh`] for an item
/// without triangles.
pub fn write<'a>(path: impl AsRef<Path>, items: &[Item<'a>]) -> Result<()> {
    let path = path.as_ref();
    for item in items {
        if item.mesh.triangles().is_empty() {
            return Err(Error::Mesh {
                name: item.name.into(),
                problem: "it has no triangles".into(),
                remedy: "leave it out of the file".into(),
            });
        }
        for b in [item.mesh.bounds(), item.mesh.bounds_at(&item.pose)] {
            let far = b.min.coords.abs().sup(&b.max.coords.abs()).max();
            check_range(&format!("reach of '{}'", item.name), far, 0.0, FARTHEST_MM, "mm")?;
        }
    }
    match extension(path).as_str() {
        "stl" => stl::write(path, items),
        "3mf" => threemf::write(path, items),
        "glb" => {
            let node = |i: &Item<'a>| Node {
                name: i.name,
                pose: i.pose,
                mesh: Some((i.mesh, [0xcc; 3])),
                children: Vec::new(),
            };
            write_gltf(path, &stem(path), &items.iter().map(node).collect::<Vec<_>>())
        }
        other => Err(Source { path }.bad(
            "name",
            format!("'{other}' is no mesh format that can be written"),
            "name it .stl, .3mf or .glb",
        )),
    }
}

/// Whether a file is to be written as binary glTF.
pub(crate) fn is_gltf(path: &Path) -> bool {
    extension(path) == "glb"
}

fn extension(path: &Path) -> String {
    path.extension().map(|e| e.to_string_lossy().to_lowercase()).unwrap_or_default()
}

fn stem(path: &Path) -> String {
    path.file_stem().map(|s| s.to_string_lossy().into_owned()).unwrap_or_default()
}

/// The file being read, for messages.
struct Source<'a> {
    path: &'a Path,
}

impl Source<'_> {
    fn bad(
        &self,
        place: impl Into<String>,
        problem: impl Into<String>,
        remedy: impl Into<String>,
    ) -> Error {
        Error::Format {
            path: self.path.into(),
            place: place.into(),
            problem: problem.into(),
            remedy: remedy.into(),
        }
    }

    fn too_large(&self, what: &str, bytes: u64, max_bytes: u64) -> Error {
        Error::Limit {
            place: format!("{}: {what}", self.path.display()),
            value: bytes as f64 / 1e6,
            limit: max_bytes as f64 / 1e6,
            unit: "MB",
            remedy: "simplify the model, or raise read.max_bytes".into(),
        }
    }

    /// The whole file, never more than `max_bytes` of it.
    fn load(&self, max_bytes: u64) -> Result<Vec<u8>> {
        let fail = |source| Error::Io { path: self.path.into(), action: "read", source };
        let file = File::open(self.path).map_err(fail)?;
        let size = file.metadata().map_err(fail)?.len();
        if size > max_bytes {
            return Err(self.too_large("reading", size, max_bytes));
        }
        let mut bytes = Vec::with_capacity(size as usize);
        // The size may lie (a growing file, a pipe), so the limit is held here too.
        file.take(max_bytes.saturating_add(1)).read_to_end(&mut bytes).map_err(fail)?;
        if bytes.len() as u64 > max_bytes {
            return Err(self.too_large("reading", bytes.len() as u64, max_bytes));
        }
        Ok(bytes)
    }
}

/// One object while it is read: corners come in, equal ones are welded.
struct Builder {
    name: String,
    welder: weld::Welder,
    triangles: Vec<[u32; 3]>,
}

impl Builder {
    fn new(name: String, triangles: usize) -> Builder {
        Builder {
            name,
            welder: weld::Welder::for_triangles(triangles),
            triangles: Vec::with_capacity(triangles),
        }
    }

    fn push(&mut self, corners: [Point; 3]) {
        self.triangles.push(corners.map(|p| self.welder.index(p)));
    }

    fn finish(self) -> Result<Mesh> {
        Mesh::new(self.name, self.welder.into_vertices(), self.triangles)
    }
}
