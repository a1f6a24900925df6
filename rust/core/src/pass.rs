//! What every pass promises.

use crate::context::Context;
use crate::error::Result;
use crate::finding::Done;

/// One step of the work. Implement it for a struct of your own to extend a recipe.
///
/// ```
/// use vatwright::{Context, Done, Part, Pass, Report, Result, Setup, mesh::shapes::cuboid};
///
/// struct Rename(&'static str);
///
/// impl Pass<Part> for Rename {
///     type Out = Part;
///     fn name(&self) -> &str {
///         "rename"
///     }
///     fn apply(&self, mut part: Part, _: &Context) -> Result<Done<Part>> {
///         part.name = self.0.into();
///         let report = Report::new(self.name(), &part.name);
///         Ok(Done { value: part, report })
///     }
/// }
///
/// let part = Part::new(cuboid(1.0, 1.0, 1.0)?);
/// let done = Rename("signal lamp").apply(part, &Context::new(Setup::default()))?;
/// assert_eq!(done.value.name, "signal lamp");
/// # Ok::<(), vatwright::Error>(())
/// ```
pub trait Pass<In> {
    /// What comes out.
    type Out;

    /// Word used in reports and recipes.
    fn name(&self) -> &str;

    /// Checks the options against their ranges, as [`Pass::apply`] does first.
    ///
    /// # Errors
    /// [`Error::Value`](crate::Error::Value) naming the first that is out of its range.
    fn validate(&self) -> Result<()> {
        Ok(())
    }

    /// Does the work.
    ///
    /// # Errors
    /// When no result exists; what physics objects to is a finding in the report instead.
    fn apply(&self, input: In, ctx: &Context) -> Result<Done<Self::Out>>;
}
