//! Mechanics: pure functions, each with formula, source, units and range of validity.
