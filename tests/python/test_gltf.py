"""Binary glTF as trimesh reads it (glTF 2.0: metres, y up; roles are nodes in their colours)."""

from pathlib import Path
from typing import Any

import numpy as np
import pytest

import vatwright as vw


def load(path: Path) -> Any:
    trimesh = pytest.importorskip("trimesh")
    return trimesh.load(path, force="scene")


@pytest.fixture(scope="module")
def ball() -> vw.Part:
    part = vw.Part(vw.shapes.sphere(5.0, 2000), name="lamp <globe>")
    return vw.Recipe([vw.Raft(), vw.Support()]).apply(part).value


def in_metres(bounds: Any) -> Any:
    """Our corners (mm, z up) as glTF has them: x, z, −y in metres."""
    low, high = np.array(bounds) / 1000
    return np.array([[low[0], low[2], -high[1]], [high[0], high[2], -low[1]]])


def test_a_part_is_a_node_a_role(ball: vw.Part, tmp_path: Path) -> None:
    ball.save(tmp_path / "ball.glb")
    scene = load(tmp_path / "ball.glb")
    assert np.allclose(scene.bounds, in_metres(ball.bounds), atol=1e-7)
    nodes = {name: scene.graph[name] for name in scene.graph.nodes_geometry}
    assert set(nodes) == {"body", "support", "raft"}
    colours = set()
    for role, (_, geometry) in nodes.items():
        mesh = scene.geometry[geometry]
        ours = ball.mesh([role])
        assert len(mesh.faces) == len(ours.triangles)
        # The node above scales; the mesh itself is in millimetres.
        assert mesh.volume == pytest.approx(ours.volume_mm3, rel=1e-4)
        colours.add(tuple(mesh.visual.material.baseColorFactor))
    assert len(colours) == 3
    assert "lamp <globe>" in scene.graph.nodes
    ball.save(tmp_path / "again.glb")
    assert (tmp_path / "ball.glb").read_bytes() == (tmp_path / "again.glb").read_bytes()


def test_a_plate_shares_the_geometry_of_copies(ball: vw.Part, tmp_path: Path) -> None:
    placed = [vw.Placed(ball, x_mm=x, y_mm=30.0, turn_deg=40.0) for x in (20.0, 60.0, 90.0)]
    plate = vw.Plate("one", placed, width_mm=120.0, depth_mm=68.0)
    plate.save(tmp_path / "plate.glb")
    scene = load(tmp_path / "plate.glb")
    assert np.allclose(scene.bounds, in_metres(plate.bounds), atol=1e-6)
    assert len(scene.geometry) == 3
    ball.save(tmp_path / "ball.glb")
    sizes = [(tmp_path / f"{n}.glb").stat().st_size for n in ("plate", "ball")]
    assert sizes[0] < 1.1 * sizes[1]


def test_any_mesh_can_be_written(tmp_path: Path) -> None:
    ring = vw.shapes.torus(6.0, 1.5, 40).mesh
    ring.save(tmp_path / "ring.glb")
    assert np.allclose(load(tmp_path / "ring.glb").bounds, in_metres(ring.bounds), atol=1e-7)
