//! 3MF (ISO/IEC 25422): a zip package with one or more XML model parts.

mod read;
mod write;

pub(super) use read::read;
pub(super) use write::write;

/// Name of the part that a package starts with unless it says otherwise; ours always do.
const MODEL_PART: &str = "3D/3dmodel.model";
const MODEL_RELATION: &str = "http://schemas.microsoft.com/3dmanufacturing/2013/01/3dmodel";
