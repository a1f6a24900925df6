//! Meshes in and out of files.
