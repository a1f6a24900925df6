"""Every stage and layer of a supported part, recomputed independently (structure_twin.py)."""

from __future__ import annotations

import numpy as np
import pytest

import vatwright as vw

pytest.importorskip("scipy", reason="scipy is not installed")
from structure_twin import worst

# Peel from area alone and a return so slow that nothing is pressed: what the twin models.
SETUP = vw.Setup(
    machine=vw.Machine(pixel_mm=0.1, separation_speed_exponent=0.0, return_speed_mm_s=0.01),
    exposure=vw.Exposure(layer_mm=0.1),
)


def tilted(body: vw.Solid, about_x_deg: float, about_y_deg: float) -> vw.Part:
    a, b = np.radians([about_x_deg, about_y_deg])
    x = np.array([[1, 0, 0], [0, np.cos(a), -np.sin(a)], [0, np.sin(a), np.cos(a)]])
    y = np.array([[np.cos(b), 0, np.sin(b)], [0, 1, 0], [-np.sin(b), 0, np.cos(b)]])
    mesh = vw.Mesh(body.mesh.vertices @ (y @ x).T, body.mesh.triangles)
    part = vw.Raft().apply(vw.Part(vw.Solid(mesh)), SETUP).value
    done: vw.Done[vw.Part] = vw.Support().apply(part, SETUP)
    return done.value


def lumps(seed: int) -> vw.Solid:
    """Overlapping balls, boxes and rods thrown together: a random solid."""
    dice = np.random.default_rng(seed)
    vertices, triangles, n = [], [], 0
    for _ in range(dice.integers(2, 5)):
        kind, size = dice.integers(3), dice.uniform(2.0, 6.0, 3)
        body = [
            lambda s: vw.shapes.sphere(float(s[0]), 300),
            lambda s: vw.shapes.cuboid(*(float(v) for v in 1.5 * s)),
            lambda s: vw.shapes.cylinder(float(s[0]) / 2, float(3 * s[1]), 24),
        ][kind](size)
        turn, _ = np.linalg.qr(dice.normal(size=(3, 3)))
        turn *= np.sign(np.linalg.det(turn))
        at = dice.uniform(-3.0, 3.0, 3)
        vertices.append((body.mesh.vertices - body.mesh.vertices.mean(axis=0)) @ turn.T + at)
        triangles.append(body.mesh.triangles + n)
        n += len(vertices[-1])
    return vw.Solid(vw.Mesh(np.concatenate(vertices), np.concatenate(triangles)))


PARTS = {
    "ring": lambda: tilted(vw.shapes.torus(6.0, 1.5, 40), 50.0, 0.0),
    "lumps 2": lambda: tilted(lumps(2), 0.0, 0.0),
    "lumps 3": lambda: tilted(lumps(3), 0.0, 0.0),
}


@pytest.mark.parametrize("name", PARTS)
def test_no_neck_or_bar_is_worked_harder_than_the_check_says(name: str) -> None:
    part = PARTS[name]()
    checked = vw.Check().apply(part, SETUP).report
    twin = worst(part, SETUP, pitch_mm=SETUP.machine.pixel_mm)
    allowed = SETUP.resin.green_strength_mpa / SETUP.limits.safety
    for ours, theirs in [("peak_tip_use", twin.neck_mpa), ("peak_bar_use", twin.bar_mpa)]:
        assert checked.numbers[ours] == pytest.approx(theirs / allowed, rel=0.05), (name, twin)
    told = {str(f.code) for f in checked.findings}
    lost = twin.lost_mpa * SETUP.limits.lost_tip_safety / SETUP.resin.green_strength_mpa
    assert lost < 1.05 or "redundancy" in told, (name, twin)
    assert twin.few == 0 or "redundancy" in told, (name, twin)
