//! Writes a package of one model part: an object for every mesh, a build item for every placing.
//! Time stamps are fixed and coordinates are rounded to a nanometre, so that equal plates give
//! equal and small files.

use super::{MODEL_PART, MODEL_RELATION};
use crate::error::Result;
use crate::mesh::io::{Item, write_atomic};
use crate::mesh::{Mesh, Pose};
use quick_xml::escape::escape;
use std::fmt::Write as _;
use std::io::{self, Seek, Write};
use std::path::Path;
use zip::write::{SimpleFileOptions, ZipWriter};
use zip::{CompressionMethod, DateTime};

const TYPES: &str = concat!(
    r#"<?xml version="1.0" encoding="UTF-8"?>"#,
    r#"<Types xmlns="http://schemas.openxmlformats.org/package/2006/content-types">"#,
    r#"<Default Extension="rels" ContentType="application/vnd.openxmlformats-package.relationships+xml"/>"#,
    r#"<Default Extension="model" ContentType="application/vnd.ms-package.3dmanufacturing-3dmodel+xml"/>"#,
    "</Types>"
);

/// Writes all items; those that share mesh and name become one object.
pub(in crate::mesh::io) fn write(path: &Path, items: &[Item<'_>]) -> Result<()> {
    write_atomic(path, |out| package(out, items))
}

fn package(out: &mut (impl Write + Seek), items: &[Item<'_>]) -> io::Result<()> {
    let options = SimpleFileOptions::default()
        .compression_method(CompressionMethod::Deflated)
        .compression_level(Some(4)) // three times as fast as the default, a tenth larger
        .last_modified_time(DateTime::DEFAULT);
    let mut zip = ZipWriter::new(out).set_auto_large_file();
    zip.start_file("[Content_Types].xml", options)?;
    zip.write_all(TYPES.as_bytes())?;
    zip.start_file("_rels/.rels", options)?;
    write!(
        zip,
        r#"<?xml version="1.0" encoding="UTF-8"?><Relationships xmlns="http://schemas.openxmlformats.org/package/2006/relationships"><Relationship Target="/{MODEL_PART}" Id="model" Type="{MODEL_RELATION}"/></Relationships>"#
    )?;
    zip.start_file(MODEL_PART, options)?;
    model(&mut zip, items)?;
    zip.finish()?;
    Ok(())
}

fn model(out: &mut impl Write, items: &[Item<'_>]) -> io::Result<()> {
    let mut objects: Vec<&Item<'_>> = Vec::new();
    let mut build = String::new();
    for item in items {
        let known =
            objects.iter().position(|o| std::ptr::eq(o.mesh, item.mesh) && o.name == item.name);
        let id = known.unwrap_or(objects.len()) + 1;
        if known.is_none() {
            objects.push(item);
        }
        let place = transform(&item.pose);
        let _ = writeln!(build, r#"<item objectid="{id}" transform="{place}"/>"#);
    }
    write!(
        out,
        "<?xml version=\"1.0\" encoding=\"UTF-8\"?>\n<model unit=\"millimeter\" xml:lang=\"en-US\" \
         xmlns=\"http://schemas.microsoft.com/3dmanufacturing/core/2015/02\">\n\
         <metadata name=\"Application\">vatwright {}</metadata>\n<resources>\n",
        env!("CARGO_PKG_VERSION")
    )?;
    for (i, object) in objects.iter().enumerate() {
        let name = attribute(object.name);
        writeln!(out, r#"<object id="{}" name="{name}" type="model"><mesh>"#, i + 1)?;
        triangles(out, object.mesh)?;
        out.write_all(b"</mesh></object>\n")?;
    }
    write!(out, "</resources>\n<build>\n{build}</build>\n</model>\n")
}

fn triangles(out: &mut impl Write, mesh: &Mesh) -> io::Result<()> {
    const CHUNK: usize = 1 << 16;
    let mut text = Vec::with_capacity(CHUNK + 256);
    text.extend_from_slice(b"<vertices>\n");
    for v in mesh.vertices() {
        for (open, c) in [("<vertex x=\"", v.x), ("\" y=\"", v.y), ("\" z=\"", v.z)] {
            text.extend_from_slice(open.as_bytes());
            push_decimal(&mut text, c);
        }
        text.extend_from_slice(b"\"/>\n");
        flush_beyond(CHUNK, &mut text, out)?;
    }
    text.extend_from_slice(b"</vertices>\n<triangles>\n");
    for &[a, b, c] in mesh.triangles() {
        // The standard forbids triangles with a repeated corner; leaving them out opens nothing.
        if a != b && b != c && c != a {
            for (open, v) in [("<triangle v1=\"", a), ("\" v2=\"", b), ("\" v3=\"", c)] {
                text.extend_from_slice(open.as_bytes());
                push_integer(&mut text, u64::from(v));
            }
            text.extend_from_slice(b"\"/>\n");
            flush_beyond(CHUNK, &mut text, out)?;
        }
    }
    text.extend_from_slice(b"</triangles>\n");
    out.write_all(&text)
}

fn flush_beyond(size: usize, text: &mut Vec<u8>, out: &mut impl Write) -> io::Result<()> {
    if text.len() >= size {
        out.write_all(text)?;
        text.clear();
    }
    Ok(())
}

fn push_integer(text: &mut Vec<u8>, mut value: u64) {
    let start = text.len();
    loop {
        text.push(b'0' + (value % 10) as u8);
        value /= 10;
        if value == 0 {
            break;
        }
    }
    text[start..].reverse();
}

/// The number with up to six decimals. What is written fits: [`super::super::write`] bounds it.
fn push_decimal(text: &mut Vec<u8>, value: f64) {
    let scaled = (value * 1e6).round() as i64;
    if scaled < 0 {
        text.push(b'-');
    }
    let scaled = scaled.unsigned_abs();
    push_integer(text, scaled / 1_000_000);
    let mut fraction = scaled % 1_000_000;
    if fraction != 0 {
        text.push(b'.');
        let mut digit = 100_000;
        while fraction != 0 {
            text.push(b'0' + (fraction / digit) as u8);
            fraction %= digit;
            digit /= 10;
        }
    }
}

/// Row vectors times this matrix, in the order the standard asks for.
fn transform(pose: &Pose) -> String {
    let rotation = pose.rotation.to_rotation_matrix();
    let t = pose.translation.vector;
    let columns = rotation.matrix().iter().chain(t.iter());
    // Adding zero keeps −0 out of the file.
    columns.map(|c| (c + 0.0).to_string()).collect::<Vec<_>>().join(" ")
}

/// Text for an attribute; characters that XML cannot hold are replaced.
fn attribute(text: &str) -> String {
    let legal = |c: char| {
        if c.is_control() || matches!(c, '\u{fffe}' | '\u{ffff}') { '\u{fffd}' } else { c }
    };
    escape(text.chars().map(legal).collect::<String>()).into_owned()
}
