//! Python bindings of vatwright.
