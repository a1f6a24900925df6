//! Reads packages: every build item becomes a mesh, its components put in their places. Model
//! parts are streamed, and what they unpack to is counted against the limit. Part names are only
//! ever looked up inside the package.

use super::{MODEL_PART, MODEL_RELATION};
use crate::error::{Error, Result};
use crate::mesh::io::{Builder, Source, stem};
use crate::mesh::{Mesh, Point, Vector};
use nalgebra::Matrix3;
use quick_xml::events::{BytesStart, Event};
use std::collections::BTreeMap;
use std::collections::btree_map::Entry;
use std::io::{BufReader, Cursor, Read};
use zip::ZipArchive;

/// Extensions that leave the triangles as they are. Beam lattices are refused where one occurs.
const UNDERSTOOD: [&str; 3] = [
    "http://schemas.microsoft.com/3dmanufacturing/material/2015/02",
    "http://schemas.microsoft.com/3dmanufacturing/production/2015/06",
    "http://schemas.microsoft.com/3dmanufacturing/beamlattice/2017/02",
];

/// Deepest nesting of components; real files nest two or three deep.
const DEEPEST: usize = 16;

struct Transform {
    turn: Matrix3<f64>,
    shift: Vector,
}

impl Transform {
    fn identity() -> Transform {
        Transform { turn: Matrix3::identity(), shift: Vector::zeros() }
    }

    fn after(&self, first: &Transform) -> Transform {
        Transform { turn: self.turn * first.turn, shift: self.turn * first.shift + self.shift }
    }
}

/// An object put somewhere.
struct Placing {
    part: String,
    object: u32,
    at: Transform,
}

#[derive(Default)]
struct Object {
    name: String,
    /// Word of its type when that is another than `model`: what is there for other uses than to
    /// be printed.
    other_use: Option<String>,
    vertices: Vec<Point>,
    triangles: Vec<[u32; 3]>,
    components: Vec<Placing>,
}

struct ModelXml {
    unit_mm: f64,
    objects: BTreeMap<u32, Object>,
    build: Vec<Placing>,
}

/// Reads every build item that is a model, and the length of the file's unit in mm; what is left
/// out is noted.
pub(in crate::mesh::io) fn read(
    source: &Source<'_>,
    bytes: Vec<u8>,
    max_bytes: u64,
) -> Result<(Vec<Mesh>, f64)> {
    let archive = ZipArchive::new(Cursor::new(bytes)).map_err(|e| damaged(source, "zip", &e))?;
    let mut package =
        Package { source, archive, left: max_bytes, max_bytes, other_starts: Vec::new() };
    let root = package.root()?;
    let mut models = BTreeMap::new();
    let mut wanted = vec![root.clone()];
    while let Some(part) = wanted.pop() {
        if let Entry::Vacant(entry) = models.entry(part) {
            let model = package.model(entry.key())?;
            let placings = model.objects.values().flat_map(|o| &o.components).chain(&model.build);
            wanted.extend(placings.map(|p| p.part.clone()));
            entry.insert(model);
        }
    }
    let mut left = max_bytes;
    let mut meshes = Vec::new();
    let mut notes = package.notes(&models);
    for item in &models[&root].build {
        let object = models[&item.part].objects.get(&item.object);
        let named = object.map_or("", |o| &o.name);
        let name = if named.is_empty() { stem(source.path) } else { named.into() };
        if let Some(word) = object.and_then(|o| o.other_use.as_ref()) {
            notes.push(format!("left out, as its type is '{word}' and not 'model': '{name}'"));
            continue;
        }
        let mut builder = Builder::new(name, 0);
        put(&package, &models, item, &Transform::identity(), 0, &mut left, &mut builder)?;
        meshes.push(builder.finish()?);
    }
    if let Some(first) = meshes.first_mut() {
        *first = std::mem::take(first).noted(notes.iter().cloned());
    }
    if meshes.iter().all(|m| m.triangles().is_empty()) {
        notes.insert(0, "it builds nothing to be printed".into());
        return Err(source.bad(root, notes.join("; "), "check what was exported"));
    }
    Ok((meshes, models[&root].unit_mm))
}

fn damaged(source: &Source<'_>, place: &str, problem: &dyn std::fmt::Display) -> Error {
    source.bad(place, problem.to_string(), "the file is damaged; export or copy it again")
}

/// Adds the triangles of an object and of its components.
fn put(
    package: &Package<'_>,
    models: &BTreeMap<String, ModelXml>,
    placing: &Placing,
    outer: &Transform,
    depth: usize,
    left: &mut u64,
    builder: &mut Builder,
) -> Result<()> {
    let place = || format!("{}, object {}", placing.part, placing.object);
    let Some(object) = models[&placing.part].objects.get(&placing.object) else {
        return Err(damaged(package.source, &place(), &"there is no such object"));
    };
    if depth == DEEPEST {
        let problem = format!("components nest deeper than {DEEPEST}");
        return Err(package.source.bad(place(), problem, "flatten the assembly in the export"));
    }
    let at = outer.after(&placing.at);
    // Few bytes of components can ask for any number of triangles.
    let cost = 36 * object.triangles.len() as u64 + 1;
    *left = left.checked_sub(cost).ok_or_else(|| package.too_large())?;
    let points: Vec<Point> =
        object.vertices.iter().map(|v| (at.turn * v.coords + at.shift).into()).collect();
    if points.iter().any(|p| !p.coords.iter().all(|c| c.is_finite())) {
        return Err(damaged(package.source, &place(), &"a placed coordinate is not finite"));
    }
    let mirrored = at.turn.determinant() < 0.0;
    for &[a, b, c] in &object.triangles {
        let [a, b, c] = if mirrored { [a, c, b] } else { [a, b, c] };
        let corners = [a, b, c].map(|v| points.get(v as usize).copied());
        let [Some(a), Some(b), Some(c)] = corners else {
            let problem =
                format!("a triangle refers to vertex {} of {}", a.max(b).max(c), points.len());
            return Err(damaged(package.source, &place(), &problem));
        };
        builder.push([a, b, c]);
    }
    // A model's components are what it is made of; supports and other uses among them are not.
    let is_model =
        |c: &&Placing| models[&c.part].objects.get(&c.object).is_none_or(|o| o.other_use.is_none());
    for component in object.components.iter().filter(is_model) {
        put(package, models, component, &at, depth + 1, left, builder)?;
    }
    Ok(())
}

struct Package<'a> {
    source: &'a Source<'a>,
    archive: ZipArchive<Cursor<Vec<u8>>>,
    /// Bytes that may still be unpacked.
    left: u64,
    max_bytes: u64,
    /// Models that the package names as its start after the first.
    other_starts: Vec<String>,
}

impl Package<'_> {
    fn too_large(&self) -> Error {
        self.source.too_large("unpacking", self.max_bytes + 1, self.max_bytes)
    }

    /// Streams a part of the package through `take`, which gets each opening tag and, at a
    /// closing one, its name alone.
    fn stream(
        &mut self,
        part: &str,
        mut take: impl FnMut(Tag<'_, '_>) -> Result<(), String>,
    ) -> Result<()> {
        let file = self.archive.by_name(part).map_err(|e| damaged(self.source, part, &e))?;
        let mut reader = quick_xml::Reader::from_reader(BufReader::new(file.take(self.left)));
        let mut buffer = Vec::new();
        let problem = loop {
            let step = match reader.read_event_into(&mut buffer) {
                Ok(Event::Start(tag)) => take(Tag::Open(&tag)),
                Ok(Event::Empty(tag)) => {
                    take(Tag::Open(&tag)).and_then(|()| take(Tag::Close(tag.local_name().as_ref())))
                }
                Ok(Event::End(tag)) => take(Tag::Close(tag.local_name().as_ref())),
                Ok(Event::Eof) => break None,
                Ok(_) => Ok(()),
                Err(e) => Err(e.to_string()),
            };
            if let Err(problem) = step {
                break Some(problem);
            }
            buffer.clear();
        };
        let at = reader.buffer_position();
        // A part cut off by the limit is no damaged part.
        self.left = reader.into_inner().into_inner().limit();
        match problem {
            _ if self.left == 0 => Err(self.too_large()),
            Some(problem) => Err(self.source.bad(
                format!("{part}, byte {at}"),
                problem,
                "export it again as plain triangles",
            )),
            None => Ok(()),
        }
    }

    /// What of the package is not read.
    fn notes(&self, read: &BTreeMap<String, ModelXml>) -> Vec<String> {
        // A name that is no text names no part that could be referred to.
        let names = self.archive.file_names().flatten().map(|n| n.into_owned());
        let mut unread: Vec<String> =
            names.filter(|n| n.ends_with(".model") && !read.contains_key(n)).collect();
        unread.extend_from_slice(&self.other_starts);
        unread.sort_unstable();
        unread.dedup();
        let said =
            |n: &String| format!("left out, as the package's model does not refer to it: '{n}'");
        unread.iter().map(said).collect()
    }

    /// Name of the part that the package starts with; of several the first.
    fn root(&mut self) -> Result<String> {
        let mut starts: Vec<String> = Vec::new();
        if self.archive.index_for_name("_rels/.rels").is_some() {
            self.stream("_rels/.rels", |tag| {
                if let Tag::Open(tag) = tag {
                    let (mut target, mut model) = (None, false);
                    for (key, value) in attributes(tag) {
                        let value = value?;
                        match key.as_str() {
                            "Target" => target = Some(value),
                            "Type" => model = value == MODEL_RELATION,
                            _ => {}
                        }
                    }
                    if let (Some(target), true) = (target, model) {
                        starts.push(target.trim_start_matches('/').into());
                    }
                }
                Ok(())
            })?;
        }
        let root = if starts.is_empty() { MODEL_PART.into() } else { starts.remove(0) };
        starts.retain(|other| *other != root);
        self.other_starts = starts;
        Ok(root)
    }

    fn model(&mut self, part: &str) -> Result<ModelXml> {
        let mut model = ModelXml { unit_mm: 1.0, objects: BTreeMap::new(), build: Vec::new() };
        let mut current: Option<(u32, Object)> = None;
        self.stream(part, |tag| {
            match tag {
                Tag::Open(tag) => open(part, tag, &mut model, &mut current)?,
                Tag::Close("object") => model.objects.extend(current.take()),
                Tag::Close(_) => {}
            }
            Ok(())
        })?;
        Ok(model)
    }
}

enum Tag<'a, 'b> {
    Open(&'a BytesStart<'b>),
    Close(&'a str),
}

/// Attributes by name without prefix.
fn attributes<'a>(
    tag: &'a BytesStart<'_>,
) -> impl Iterator<Item = (String, Result<String, String>)> + 'a {
    let mut all = tag.attributes();
    all.with_checks(false);
    all.map(|a| match a {
        Ok(a) => {
            let value = a.normalized_value(quick_xml::XmlVersion::Implicit1_0);
            (
                a.key.local_name().as_ref().to_string(),
                value.map(|v| v.into_owned()).map_err(|e| e.to_string()),
            )
        }
        Err(e) => (String::new(), Err(e.to_string())),
    })
}

fn open(
    part: &str,
    tag: &BytesStart<'_>,
    model: &mut ModelXml,
    current: &mut Option<(u32, Object)>,
) -> Result<(), String> {
    match (tag.local_name().as_ref(), current) {
        ("vertex", Some((_, object))) => {
            let [x, y, z] = numbers(tag, ["x", "y", "z"], |text| {
                text.parse::<f64>().ok().filter(|c| c.is_finite())
            })?;
            object.vertices.push(Point::new(x, y, z));
        }
        ("triangle", Some((_, object))) => {
            object.triangles.push(numbers(tag, ["v1", "v2", "v3"], |text| text.parse().ok())?);
        }
        ("component", Some((_, object))) => object.components.push(placing(part, tag)?),
        ("beamlattice", _) => return Err("it holds a beam lattice, which is not read".into()),
        ("item", None) => model.build.push(placing(part, tag)?),
        ("object", current @ None) => {
            let [id] = numbers(tag, ["id"], |text| text.parse().ok())?;
            let mut object = Object::default();
            for (key, value) in attributes(tag) {
                match key.as_str() {
                    "name" => object.name = value?,
                    "type" => object.other_use = Some(value?).filter(|word| word != "model"),
                    _ => {}
                }
            }
            *current = Some((id, object));
        }
        ("model", None) => header(tag, model)?,
        _ => {}
    }
    Ok(())
}

fn header(tag: &BytesStart<'_>, model: &mut ModelXml) -> Result<(), String> {
    let mut required = String::new();
    let mut spaces = BTreeMap::new();
    for (key, value) in attributes(tag) {
        let value = value?;
        match key.as_str() {
            "unit" => {
                model.unit_mm = match value.as_str() {
                    "micron" => 1e-3,
                    "millimeter" => 1.0,
                    "centimeter" => 10.0,
                    "inch" => 25.4,
                    "foot" => 304.8,
                    "meter" => 1000.0,
                    other => return Err(format!("'{other}' is no unit of length")),
                }
            }
            "requiredextensions" => required = value,
            _ => drop(spaces.insert(key, value)),
        }
    }
    for prefix in required.split_whitespace() {
        let space = spaces.get(prefix).map_or("", String::as_str);
        if !UNDERSTOOD.contains(&space) {
            return Err(format!("it requires the extension '{prefix}' ({space}), not understood"));
        }
    }
    Ok(())
}

fn placing(part: &str, tag: &BytesStart<'_>) -> Result<Placing, String> {
    let [object] = numbers(tag, ["objectid"], |text| text.parse().ok())?;
    let mut out = Placing { part: part.into(), object, at: Transform::identity() };
    for (key, value) in attributes(tag) {
        match key.as_str() {
            "path" => out.part = value?.trim_start_matches('/').into(),
            "transform" => {
                let value = value?;
                let m: Vec<f64> = value
                    .split_whitespace()
                    .map_while(|c| c.parse().ok().filter(|c: &f64| c.is_finite()))
                    .collect();
                if m.len() != 12 {
                    return Err(format!("'{value}' is no transform of 12 numbers"));
                }
                out.at.turn = Matrix3::from_column_slice(&m[..9]);
                out.at.shift = Vector::from_column_slice(&m[9..]);
            }
            _ => {}
        }
    }
    Ok(out)
}

/// The values of attributes that must be there.
fn numbers<T: Copy, const N: usize>(
    tag: &BytesStart<'_>,
    names: [&str; N],
    parse: impl Fn(&str) -> Option<T>,
) -> Result<[T; N], String> {
    let mut out = [None; N];
    for attribute in tag.attributes().with_checks(false) {
        let attribute = attribute.map_err(|e| e.to_string())?;
        if let Some(i) = names.iter().position(|n| *n == attribute.key.as_ref()) {
            out[i] = parse(attribute.value.trim());
        }
    }
    match out.iter().position(Option::is_none) {
        Some(i) => {
            let tag = tag.local_name();
            Err(format!("'{}' of '{}' is missing or no sound number", names[i], tag.as_ref()))
        }
        None => Ok(out.map(|v| v.expect("checked above"))),
    }
}
