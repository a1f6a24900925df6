//! Selecting facets, for instance those to keep free of marks and steps.
//!
//! Every function returns one flag a facet; combine them with plain boolean logic.

use super::edges::Edges;
use super::{Bounds, Mesh, Point, Vector};
use crate::error::{Error, Result, check_range};

/// Facets whose outward normal lies within `within_deg` of a direction.
///
/// # Errors
/// [`Error::Value`] when the direction is zero or the angle is outside 0..=180 degrees.
///
/// ```
/// use vatwright::{Vector, mesh::{select, shapes::cuboid}};
/// let block = cuboid(2.0, 2.0, 2.0)?;
/// let top = select::by_normal(&block, Vector::z(), 10.0)?;
/// assert_eq!(top.iter().filter(|&&up| up).count(), 2); // two facets of one face
/// # Ok::<(), vatwright::Error>(())
/// ```
pub fn by_normal(mesh: &Mesh, direction: Vector, within_deg: f64) -> Result<Vec<bool>> {
    check_range("select.within_deg", within_deg, 0.0, 180.0, "degrees")?;
    let direction = unit("select.direction", direction)?;
    let least = within_deg.to_radians().cos() - 1e-12;
    Ok(each(mesh, |i| {
        let n = mesh.area_normal(i);
        n.dot(&direction) >= least * n.norm() && n != Vector::zeros()
    }))
}

/// Facets that lie in a plane: all corners within `tolerance_mm` of it.
///
/// # Errors
/// [`Error::Value`] when the normal is zero or the tolerance negative.
pub fn by_plane(mesh: &Mesh, point: Point, normal: Vector, tolerance_mm: f64) -> Result<Vec<bool>> {
    let normal = unit("select.normal", normal)?;
    near(mesh, tolerance_mm, |p| (p - point).dot(&normal))
}

/// Facets on a sphere: all corners within `tolerance_mm` of it.
///
/// # Errors
/// [`Error::Value`] when the radius is not positive or the tolerance negative.
pub fn by_sphere(
    mesh: &Mesh,
    center: Point,
    radius_mm: f64,
    tolerance_mm: f64,
) -> Result<Vec<bool>> {
    check_range("select.radius_mm", radius_mm, 1e-6, 1e6, "mm")?;
    near(mesh, tolerance_mm, |p| (p - center).norm() - radius_mm)
}

/// Facets on a cylinder about an axis: all corners within `tolerance_mm` of it.
///
/// # Errors
/// [`Error::Value`] when the axis is zero, the radius not positive or the tolerance negative.
pub fn by_cylinder(
    mesh: &Mesh,
    point: Point,
    axis: Vector,
    radius_mm: f64,
    tolerance_mm: f64,
) -> Result<Vec<bool>> {
    check_range("select.radius_mm", radius_mm, 1e-6, 1e6, "mm")?;
    let axis = unit("select.axis", axis)?;
    near(mesh, tolerance_mm, |p| (p - point).cross(&axis).norm() - radius_mm)
}

/// Facets whose corners all lie in a box.
pub fn by_box(mesh: &Mesh, bounds: &Bounds) -> Vec<bool> {
    let inside = |p: &Point| (0..3).all(|a| (bounds.min[a]..=bounds.max[a]).contains(&p[a]));
    each(mesh, |i| mesh.corners(i).iter().all(inside))
}

/// The smooth patch around a facet: all that is reached from it across edges where neighbours'
/// normals differ by less than `crease_deg`.
///
/// # Errors
/// [`Error::Value`] when there is no such facet or the angle is outside 0..=180 degrees.
pub fn patch(mesh: &Mesh, seed: usize, crease_deg: f64) -> Result<Vec<bool>> {
    check_range("select.crease_deg", crease_deg, 0.0, 180.0, "degrees")?;
    let count = mesh.triangles().len();
    if seed >= count {
        return Err(Error::Value {
            place: "select.seed".into(),
            value: seed.to_string(),
            expected: format!("a facet of '{}', which has {count}", mesh.name()),
        });
    }
    let least = crease_deg.to_radians().cos();
    let normals: Vec<Vector> =
        (0..count).map(|i| mesh.area_normal(i).try_normalize(0.0).unwrap_or_default()).collect();
    let edges = Edges::of(mesh.vertices().len(), mesh.triangles());
    let mut chosen = vec![false; count];
    let mut open = vec![seed];
    chosen[seed] = true;
    while let Some(i) = open.pop() {
        let t = mesh.triangles()[i];
        for (a, b) in [(t[0], t[1]), (t[1], t[2]), (t[2], t[0])] {
            for j in edges.between(a, b).iter().map(|side| side.facet()) {
                if !chosen[j] && normals[i].dot(&normals[j]) > least {
                    chosen[j] = true;
                    open.push(j);
                }
            }
        }
    }
    Ok(chosen)
}

fn each(mesh: &Mesh, keep: impl Fn(usize) -> bool) -> Vec<bool> {
    (0..mesh.triangles().len()).map(keep).collect()
}

fn near(mesh: &Mesh, tolerance_mm: f64, off: impl Fn(&Point) -> f64) -> Result<Vec<bool>> {
    check_range("select.tolerance_mm", tolerance_mm, 0.0, 1e3, "mm")?;
    Ok(each(mesh, |i| mesh.corners(i).iter().all(|p| off(p).abs() <= tolerance_mm)))
}

fn unit(place: &str, v: Vector) -> Result<Vector> {
    v.try_normalize(1e-12).ok_or_else(|| Error::Value {
        place: place.into(),
        value: "the zero vector".into(),
        expected: "any direction".into(),
    })
}
