//! Integration tests of the core, one binary so that linking stays cheap.

mod boolean;
mod check;
mod check_loads;
mod common;
mod estimate;
mod export;
mod hollow;
mod iso;
mod layers;
mod mechanics;
mod mechanics_docs;
mod mechanics_frame;
mod mechanics_peel;
mod mesh_health;
mod mesh_io;
mod mesh_measure;
mod mesh_reference;
mod orient;
mod pack;
mod plane;
mod real_files;
mod select;
mod setup;
mod shapes;
mod support;
mod vent;
