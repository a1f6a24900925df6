//! Python bindings of vatwright: thin classes over the core, one door for long work.

mod arrays;
mod errors;
mod health;
mod layers;
mod mesh;
mod part;
mod passes;
mod plain;
mod plate;
mod recipe;
mod record;
mod report;
mod run;
mod select;
mod setup;
mod shapes;
mod supports;

use pyo3::prelude::*;
use pyo3::types::PyTuple;

/// Adds classes to the module; those that are records get an attribute for each field, options also
/// their docs and defaults.
macro_rules! classes {
    ($m:expr; $($class:ty),* ; options $($options:ty),* ; records $($record:ty),*) => {
        $( $m.add_class::<$class>()?; )*
        $( $m.add_class::<$options>()?; record::declare::<$options>($m.py())?; )*
        $( $m.add_class::<$record>()?; record::describe::<$record>($m.py())?; )*
    };
}

#[pymodule]
fn _core(m: &Bound<'_, PyModule>) -> PyResult<()> {
    run::hold_panics();
    m.add("VERSION", env!("CARGO_PKG_VERSION"))?;
    m.add("FORMAT", vatwright::format::FORMAT)?;
    m.add("ERRORS", plain::to_py(m.py(), &vatwright::Error::TABLE)?)?;
    m.add("FINDINGS", plain::to_py(m.py(), &vatwright::FindingCode::TABLE)?)?;
    m.add("BUILT_IN", PyTuple::new(m.py(), vatwright::setup::BUILT_IN)?)?;
    let cautions = PyTuple::new(m.py(), vatwright::passes::estimate::CAUTIONS)?;
    m.add("CAUTIONS", cautions)?;
    classes!(m;
        mesh::Mesh, mesh::Solid, part::Part, plate::Placed, plate::Plate, recipe::Recipe,
        report::Done, layers::Layers, layers::Survey,
        supports::Supports, supports::Frame, supports::SupportEdit;
        options
        setup::Machine, setup::Resin, setup::Exposure, setup::Limits, setup::Setup,
        passes::Vent, passes::Raft, passes::Compensate, passes::Support, passes::Check, passes::Pack, passes::Estimate,
        passes::Print;
        records
        health::Repair, passes::Orient, passes::Weights, passes::Terms, passes::Candidate, passes::Tilt,
        passes::Hollow,
        passes::Cost, passes::Printed,
        part::VentHole, part::Drainage, supports::Tip, mesh::Measures, health::Defects, health::Hole, health::Health,
        layers::Grid, layers::Cup, layers::Component,
        report::Finding, report::Report);
    for function in [
        wrap_pyfunction!(run::_wait, m)?,
        wrap_pyfunction!(health::diagnose, m)?,
        wrap_pyfunction!(health::repair, m)?,
        wrap_pyfunction!(health::winding_numbers, m)?,
    ] {
        m.add_function(function)?;
    }
    select::add(m)?;
    shapes::add(m)?;
    Ok(())
}
