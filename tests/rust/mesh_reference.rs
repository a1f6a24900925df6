//! Health and measures against the half-edges of tri-mesh, an independent library.

use three_d_asset::{Indices, Positions, TriMesh, vec3};
use vatwright::Mesh;
use vatwright::mesh::{health, measure, shapes};

fn half_edges(mesh: &Mesh) -> tri_mesh::Mesh {
    let positions = mesh.vertices().iter().map(|v| vec3(v.x, v.y, v.z)).collect();
    let indices = mesh.triangles().iter().flatten().copied().collect();
    tri_mesh::Mesh::new(&TriMesh {
        positions: Positions::F64(positions),
        indices: Indices::U32(indices),
        ..TriMesh::default()
    })
}

#[test]
fn open_edges_shells_and_area_agree_with_half_edges() {
    let ball = shapes::sphere(10.0, 2_000).unwrap().mesh().clone();
    let ring = shapes::torus(20.0, 3.0, 40).unwrap().mesh().clone();
    let whole = Mesh::concat("ball and ring", [&ball, &ring]);
    // Some facets taken out, far enough apart that no two holes meet.
    let (name, vertices, triangles) = whole.clone().into_parts();
    let kept = triangles.into_iter().enumerate().filter(|(i, _)| i % 97 != 13).map(|t| t.1);
    let holed = Mesh::new(name, vertices, kept.collect()).unwrap();
    for mesh in [&whole, &holed] {
        let theirs = half_edges(mesh);
        let open = theirs.edge_iter().filter(|e| theirs.is_edge_on_boundary(*e)).count();
        let ours = health::diagnose(mesh);
        assert_eq!(ours.open_edges.count, open);
        assert_eq!(ours.closed, theirs.is_closed());
        assert_eq!(ours.shells, theirs.connected_components().len());
        let area: f64 = theirs.face_iter().map(|f| theirs.face_area(f)).sum();
        approx::assert_relative_eq!(measure::measure(mesh).area_mm2, area, max_relative = 1e-9);
    }
}
