//! Integration tests of the core, one binary so that linking stays cheap.

mod common;
mod setup;
mod shapes;
