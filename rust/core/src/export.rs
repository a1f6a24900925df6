//! Parts and plates as mesh files: where the pieces kept apart by role become one object a part.

use crate::error::Result;
use crate::job::Job;
use crate::mesh::io::{Item, Node, is_gltf, write, write_gltf};
use crate::mesh::{Mesh, Pose, Solid, boolean};
use crate::part::{Part, Role};
use crate::plate::Plate;
use std::collections::BTreeMap;
use std::path::Path;
use std::sync::Arc;

impl Part {
    /// The surfaces of the given roles as one mesh in plate coordinates. Pieces overlap by
    /// design: their union is what non-zero winding fills.
    pub fn mesh(&self, roles: &[Role]) -> Mesh {
        let surfaces = self.surfaces(roles);
        let placed: Vec<Mesh> = surfaces.iter().map(|s| s.mesh.transformed(&s.pose)).collect();
        Mesh::concat(self.name.clone(), &placed)
    }

    /// The given roles as one boolean solid in plate coordinates: walls between overlapping pieces
    /// dissolve. Layers, check and export need no such thing; other software may. It takes about
    /// as long as [`boolean::fuse`].
    ///
    /// # Errors
    /// As [`boolean::fuse`]; [`Error::NotSolid`](crate::Error::NotSolid) when the part has nothing
    /// of these roles.
    pub fn fused(&self, roles: &[Role], job: &Job) -> Result<Solid> {
        Ok(boolean::fuse(&Solid::try_from(self.mesh(roles))?, job)?.solid)
    }

    /// Writes the given roles as one object, STL or 3MF by the file's ending, or as one node a
    /// role in its colour, glTF.
    ///
    /// # Errors
    /// As [`write`](fn@write); a part without anything of these roles has no triangles.
    pub fn write(&self, path: impl AsRef<Path>, roles: &[Role]) -> Result<()> {
        if is_gltf(path.as_ref()) {
            let meshes = self.by_role(roles);
            return write_gltf(path, &self.name, &nodes(&meshes));
        }
        let mesh = self.mesh(roles);
        write(path, &[Item { name: &self.name, mesh: &mesh, pose: Pose::identity() }])
    }

    fn by_role(&self, roles: &[Role]) -> Vec<(Role, Mesh)> {
        let meshes = roles.iter().map(|&r| (r, self.mesh(&[r])));
        meshes.filter(|(_, m)| !m.triangles().is_empty()).collect()
    }
}

fn nodes(meshes: &[(Role, Mesh)]) -> Vec<Node<'_>> {
    let nodes = meshes.iter().map(|(role, mesh)| Node {
        name: role.word(),
        pose: Pose::identity(),
        mesh: Some((mesh, role.colour())),
        children: Vec::new(),
    });
    nodes.collect()
}

impl Plate {
    /// Writes every part as one object at its place, STL or 3MF by the file's ending, or as one
    /// node with one below it a role, glTF; copies share their geometry where the format allows.
    ///
    /// # Errors
    /// As [`write`](fn@write).
    pub fn write(&self, path: impl AsRef<Path>) -> Result<()> {
        if is_gltf(path.as_ref()) {
            let mut meshes: BTreeMap<*const Part, Vec<(Role, Mesh)>> = BTreeMap::new();
            for p in &self.placed {
                let roles = || p.part.by_role(&Role::ALL);
                meshes.entry(Arc::as_ptr(&p.part)).or_insert_with(roles);
            }
            let placed = self.placed.iter().map(|p| Node {
                name: &p.part.name,
                pose: p.pose(),
                mesh: None,
                children: nodes(&meshes[&Arc::as_ptr(&p.part)]),
            });
            return write_gltf(path, &self.name, &placed.collect::<Vec<_>>());
        }
        let mut meshes: BTreeMap<*const Part, Mesh> = BTreeMap::new();
        for p in &self.placed {
            meshes.entry(Arc::as_ptr(&p.part)).or_insert_with(|| p.part.mesh(&Role::ALL));
        }
        let items: Vec<Item<'_>> = self
            .placed
            .iter()
            .map(|p| Item {
                name: &p.part.name,
                mesh: &meshes[&Arc::as_ptr(&p.part)],
                pose: p.pose(),
            })
            .collect();
        write(path, &items)
    }
}
