//! PNG with a palette (ISO/IEC 15948): the smallest that every viewer reads.

use super::Picture;
use flate2::write::ZlibEncoder;
use flate2::{Compression, Crc};
use std::io::Write;

pub(super) fn encode(picture: &Picture) -> Vec<u8> {
    let mut out = b"\x89PNG\r\n\x1a\n".to_vec();
    let mut header = [picture.width_px, picture.height_px].map(u32::to_be_bytes).concat();
    // Eight bits an index, colours by palette, the only ways of compression and filtering, rows
    // in order.
    header.extend([8, 3, 0, 0, 0]);
    chunk(&mut out, b"IHDR", &header);
    let colours: Vec<u8> = picture.palette.iter().flat_map(|c| [c[0], c[1], c[2]]).collect();
    chunk(&mut out, b"PLTE", &colours);
    let opacity: Vec<u8> = picture.palette.iter().map(|c| c[3]).collect();
    chunk(&mut out, b"tRNS", &opacity);
    let mut rows = Vec::with_capacity(picture.pixels.len() + picture.height_px as usize);
    for row in picture.pixels.chunks(picture.width_px as usize) {
        rows.push(0); // unfiltered: neighbours in a palette are no neighbours in colour
        rows.extend_from_slice(row);
    }
    let mut packed = ZlibEncoder::new(Vec::new(), Compression::best());
    // Writing to memory does not fail.
    let packed = packed.write_all(&rows).and_then(|()| packed.finish()).unwrap_or_default();
    chunk(&mut out, b"IDAT", &packed);
    chunk(&mut out, b"IEND", &[]);
    out
}

fn chunk(out: &mut Vec<u8>, kind: &[u8; 4], data: &[u8]) {
    out.extend((data.len() as u32).to_be_bytes());
    let from = out.len();
    out.extend_from_slice(kind);
    out.extend_from_slice(data);
    let mut crc = Crc::new();
    crc.update(&out[from..]);
    out.extend(crc.sum().to_be_bytes());
}
