//! Binary glTF 2.0 (ISO/IEC 12113): what browsers and most viewers show. A node a thing, with
//! its name and colour; nodes that share a mesh store it once. glTF counts in metres with y up,
//! so that one node above all turns and scales.

use super::write_atomic;
use crate::error::{Error, Result};
use crate::mesh::{Bounds, Mesh, Pose};
use serde_json::{Value, json};
use std::io::Write;
use std::path::Path;

/// Something to show: a mesh, or things below it.
#[derive(Clone, Debug)]
pub struct Node<'a> {
    /// Its name in the file.
    pub name: &'a str,
    /// Takes its coordinates to those of the node above, mm.
    pub pose: Pose,
    /// Its triangles with their colour: red, green, blue.
    pub mesh: Option<(&'a Mesh, [u8; 3])>,
    /// What hangs below it.
    pub children: Vec<Node<'a>>,
}

const CHUNK_JSON: u32 = 0x4e4f_534a;
const CHUNK_BINARY: u32 = 0x004e_4942;
const FLOAT: u32 = 5126;
const UNSIGNED_INT: u32 = 5125;
const VERTICES: u32 = 34962;
const INDICES: u32 = 34963;

/// Writes the nodes under one that is named `name`. The file appears whole or not at all, and
/// equal nodes give equal bytes.
///
/// # Errors
/// [`Error::Io`] when it cannot be written, [`Error::Limit`] beyond the four gigabytes that the
/// format can count.
pub fn write_gltf(path: impl AsRef<Path>, name: &str, nodes: &[Node<'_>]) -> Result<()> {
    let path = path.as_ref();
    let mut scene = Document::default();
    let top: Vec<usize> = nodes.iter().map(|n| scene.node(n)).collect();
    let half = std::f64::consts::FRAC_1_SQRT_2;
    let root = scene.nodes.len();
    scene.nodes.push(json!({
        "name": name,
        "children": top,
        "rotation": [-half, 0.0, 0.0, half],
        "scale": [0.001, 0.001, 0.001],
    }));
    let document = json!({
        "asset": {"version": "2.0", "generator": concat!("vatwright ", env!("CARGO_PKG_VERSION"))},
        "scene": 0,
        "scenes": [{"nodes": [root]}],
        "nodes": scene.nodes,
        "meshes": scene.meshes,
        "materials": scene.materials,
        "accessors": scene.accessors,
        "bufferViews": scene.views,
        "buffers": [{"byteLength": scene.bytes}],
    });
    let mut text = document.to_string().into_bytes();
    text.resize(text.len().next_multiple_of(4), b' ');
    let total = (12 + 8 + text.len() + 8 + scene.bytes) as u64;
    let Ok(total) = u32::try_from(total) else {
        return Err(Error::Limit {
            place: format!("{}: writing", path.display()),
            value: total as f64 / 1e6,
            limit: f64::from(u32::MAX) / 1e6,
            unit: "MB",
            remedy: "write the parts one by one, or as STL".into(),
        });
    };
    write_atomic(path, |out| {
        let mut words = |all: &[u32]| all.iter().try_for_each(|w| out.write_all(&w.to_le_bytes()));
        words(&[u32::from_le_bytes(*b"glTF"), 2, total, text.len() as u32, CHUNK_JSON])?;
        out.write_all(&text)?;
        let mut words = |all: &[u32]| all.iter().try_for_each(|w| out.write_all(&w.to_le_bytes()));
        words(&[scene.bytes as u32, CHUNK_BINARY])?;
        for mesh in &scene.known {
            for v in mesh.vertices() {
                out.write_all(&[v.x, v.y, v.z].map(|c| (c as f32).to_le_bytes()).concat())?;
            }
            for t in mesh.triangles() {
                out.write_all(&t.map(u32::to_le_bytes).concat())?;
            }
        }
        Ok(())
    })
}

/// The lists of a glTF document while they grow.
#[derive(Default)]
struct Document<'a> {
    nodes: Vec<Value>,
    meshes: Vec<Value>,
    materials: Vec<Value>,
    accessors: Vec<Value>,
    views: Vec<Value>,
    /// Meshes already stored, two views and two accessors each.
    known: Vec<&'a Mesh>,
    /// Mesh and colour of each entry of `meshes`.
    painted: Vec<(usize, [u8; 3])>,
    colours: Vec<[u8; 3]>,
    bytes: usize,
}

impl<'a> Document<'a> {
    /// Adds a node with all below it; returns its index.
    fn node(&mut self, node: &Node<'a>) -> usize {
        let children: Vec<usize> = node.children.iter().map(|c| self.node(c)).collect();
        let (q, t) = (node.pose.rotation.coords, node.pose.translation.vector);
        let mut value = json!({
            "name": node.name,
            "rotation": [q.x + 0.0, q.y + 0.0, q.z + 0.0, q.w],
            "translation": [t.x + 0.0, t.y + 0.0, t.z + 0.0],
        });
        if !children.is_empty() {
            value["children"] = json!(children);
        }
        if let Some((mesh, colour)) = node.mesh.filter(|(m, _)| !m.triangles().is_empty()) {
            value["mesh"] = json!(self.painted(mesh, colour));
        }
        self.nodes.push(value);
        self.nodes.len() - 1
    }

    fn painted(&mut self, mesh: &'a Mesh, colour: [u8; 3]) -> usize {
        let geometry = self.geometry(mesh);
        let known = self.painted.iter().position(|p| *p == (geometry, colour));
        known.unwrap_or_else(|| {
            let material = self.material(colour);
            self.painted.push((geometry, colour));
            self.meshes.push(json!({
                "name": mesh.name(),
                "primitives": [{
                    "attributes": {"POSITION": 2 * geometry},
                    "indices": 2 * geometry + 1,
                    "material": material,
                }],
            }));
            self.meshes.len() - 1
        })
    }

    fn material(&mut self, colour: [u8; 3]) -> usize {
        self.colours.iter().position(|c| *c == colour).unwrap_or_else(|| {
            let [r, g, b] = colour.map(linear);
            self.colours.push(colour);
            self.materials.push(json!({
                "pbrMetallicRoughness": {
                    "baseColorFactor": [r, g, b, 1.0],
                    "metallicFactor": 0.0,
                    "roughnessFactor": 0.8,
                },
            }));
            self.materials.len() - 1
        })
    }

    fn geometry(&mut self, mesh: &'a Mesh) -> usize {
        if let Some(known) = self.known.iter().position(|m| std::ptr::eq(*m, mesh)) {
            return known;
        }
        let (vertices, indices) = (mesh.vertices().len(), 3 * mesh.triangles().len());
        // The bounds of what is stored, in its own precision, as the standard asks for.
        let Bounds { min, max } = mesh.bounds();
        let stored = |p: crate::mesh::Point| [p.x, p.y, p.z].map(|c| f64::from(c as f32));
        for (bytes, target) in [(12 * vertices, VERTICES), (4 * indices, INDICES)] {
            self.views.push(json!({
                "buffer": 0, "byteOffset": self.bytes, "byteLength": bytes, "target": target,
            }));
            self.bytes += bytes;
        }
        let view = 2 * self.known.len();
        self.accessors.push(json!({
            "bufferView": view, "componentType": FLOAT, "count": vertices, "type": "VEC3",
            "min": stored(min), "max": stored(max),
        }));
        self.accessors.push(json!({
            "bufferView": view + 1, "componentType": UNSIGNED_INT, "count": indices,
            "type": "SCALAR",
        }));
        self.known.push(mesh);
        self.known.len() - 1
    }
}

/// A channel of sRGB as light (IEC 61966-2-1).
fn linear(channel: u8) -> f64 {
    let c = f64::from(channel) / 255.0;
    let light = if c <= 0.04045 { c / 12.92 } else { libm::pow((c + 0.055) / 1.055, 2.4) };
    (light * 1e6).round() / 1e6
}
