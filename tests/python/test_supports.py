"""Supports in Python: the structure against a general-purpose frame solver, changes by hand."""

from __future__ import annotations

import numpy as np
import pytest

import vatwright as vw

SETUP = vw.Setup(machine=vw.Machine(pixel_mm=0.1))


def supported(body: vw.Solid) -> vw.Part:
    part = vw.Raft().apply(vw.Part(body), SETUP).value
    done: vw.Done[vw.Part] = vw.Support().apply(part, SETUP)
    return done.value


def structure(part: vw.Part) -> vw.Supports:
    assert part.supports is not None
    return part.supports


def test_structure_as_arrays() -> None:
    s = structure(supported(vw.shapes.sphere(5.0, 2000)))
    assert s.nodes.shape == (len(s.nodes), 3)
    assert s.members.shape == (len(s.diameters_mm), 2)
    assert s.members.max() < len(s.nodes)
    assert np.allclose(s.nodes[s.feet, 2], vw.Raft().thickness_mm)
    for tip in s.tips:
        assert np.linalg.norm(s.nodes[tip.node] - tip.contact) < 1.5 * vw.Support().neck_mm + 1e-9
    assert s.mesh.vertices[:, 2].min() > 0.0


@pytest.mark.parametrize(
    "body",
    [vw.shapes.sphere(6.0, 2000), vw.shapes.torus(6.0, 1.5, 40), vw.shapes.cuboid(9.0, 6.0, 2.0)],
    ids=["ball", "ring", "slab"],
)
def test_frame_agrees_with_a_general_solver(body: vw.Solid) -> None:
    """Displacements within 0.1 % of PyNiteFEA's (a general-purpose frame solver) for one frame."""
    pynite = pytest.importorskip("Pynite", reason="PyNiteFEA is not installed")
    frame = structure(supported(body)).frame(SETUP)
    force, x, y = 2.0, 0.7, -0.4
    ours, axial, _ = frame.solve(force, x, y)

    model = pynite.FEModel3D()
    for i, (nx, ny, nz) in enumerate(frame.nodes):
        model.add_node(f"n{i}", nx, ny, nz)
    slices = 24  # a neck tapers: even slices of it
    for i, (a, b) in enumerate(frame.beams):
        modulus, shear = frame.modulus_mpa[i], frame.shear_mpa[i]
        model.add_material(f"m{i}", modulus, shear, modulus / (2 * shear) - 1, 0.0)
        wide, thin = np.sqrt(4 * frame.area_mm2[i] / np.pi)
        n = 1 if wide == thin else slices
        ends = [f"n{a}", *(f"b{i}n{k}" for k in range(1, n)), f"n{b}"]
        for k in range(1, n):
            model.add_node(ends[k], *(frame.nodes[a] + (frame.nodes[b] - frame.nodes[a]) * k / n))
        for k in range(n):
            d = wide + (thin - wide) * (k + 0.5) / n
            inertia = np.pi * d**4 / 64
            model.add_section(f"s{i}.{k}", np.pi * d**2 / 4, inertia, inertia, 2 * inertia)
            model.add_member(f"b{i}.{k}", ends[k], ends[k + 1], f"m{i}", f"s{i}.{k}")
    # The part is rigid: spokes so stiff that their own give is far below what is compared.
    stiff = 1e4 * frame.modulus_mpa.max()
    model.add_material("rigid", stiff, stiff, 0.0, 0.0)
    model.add_section("spoke", 10.0, 10.0, 10.0, 10.0)
    for i in frame.tied:
        model.add_member(f"r{i}", f"n{frame.body}", f"n{i}", "rigid", "spoke")
    for i in frame.clamped:
        model.def_support(f"n{i}", *[True] * 6)
    body_at = frame.nodes[frame.body]
    model.add_node_load(f"n{frame.body}", "FZ", force)
    model.add_node_load(f"n{frame.body}", "MX", force * (y - body_at[1]))
    model.add_node_load(f"n{frame.body}", "MY", -force * (x - body_at[0]))
    model.analyze_linear(check_statics=False)

    case = "Combo 1"
    theirs = np.array(
        [
            [getattr(model.nodes[f"n{i}"], d)[case] for d in ("DX", "DY", "DZ", "RX", "RY", "RZ")]
            for i in range(len(frame.nodes))
        ]
    )
    for columns in (slice(0, 3), slice(3, 6)):
        scale = np.abs(theirs[:, columns]).max()
        assert np.abs(ours[:, columns] - theirs[:, columns]).max() < 1e-3 * scale
    pulls = np.array([-model.members[f"b{i}.0"].min_axial(case) for i in range(len(frame.beams))])
    assert np.abs(axial - pulls).max() < 1e-3 * np.abs(axial).max()


def test_tips_change_by_hand() -> None:
    part = supported(vw.shapes.sphere(5.0, 2000))
    edit = vw.Support().edit(part, SETUP)
    first = edit.tips
    assert len(first) == len(structure(part).tips)

    more = edit.add((2.0, 1.0, 6.0))
    assert len(more.tips) == len(first) + 1
    assert len(edit.tips) == len(first), "the old is as it was"
    x, y, _ = more.tips[-1].contact
    assert abs(x - 2.0) < 0.1 and abs(y - 1.0) < 0.1

    moved = more.moved(len(first), (-2.0, 1.0, 6.0))
    assert moved.tips[-1].contact[0] == pytest.approx(-2.0, abs=0.1)
    back = moved.without([len(first)])
    assert back.part == edit.part
    assert back.report.findings == edit.report.findings

    lowest = min(range(len(first)), key=lambda i: first[i].contact[2])
    less = edit.without([lowest])
    assert any(f.code == "island" for f in less.report.findings)
    checked = vw.Check().apply(less.part, SETUP)
    assert any(f.code == "island" for f in checked.report.findings)

    with pytest.raises(vw.PassError, match="no underside"):
        edit.add((40.0, 0.0, 5.0))
    with pytest.raises(vw.OptionError, match="999"):
        edit.without([999])


def test_supports_fuse_into_one_solid() -> None:
    part = supported(vw.shapes.sphere(4.0, 500))
    assert vw.diagnose(part.fused().mesh).shells == 1


def test_a_picture_shows_every_bar() -> None:
    pytest.importorskip("matplotlib").use("Agg")
    from vatwright import plots

    part = supported(vw.shapes.sphere(5.0, 2000))
    axes = plots.supports(part, SETUP)
    s = structure(part)
    bars = axes.collections[-1]
    use = bars.get_array()
    assert use is not None and len(use) == len(s.members) + len(s.tips) + len(s.landings)
    # The check's own numbers: the hardest worked neck is that of its profile.
    checked = vw.Check().apply(part, SETUP).report.numbers
    tips, _, members = part.support_uses(SETUP)
    assert tips.max() == pytest.approx(checked["peak_tip_use"])
    assert 0.0 < use.min() < use.max() == max(tips.max(), members.max())
    # The risky stand out: darker than the safe ones on a white page, and over them.
    ends = np.array([use.min(), use.max()])
    red, green, blue, _ = np.asarray(bars.cmap(bars.norm(ends))).T
    light = 0.2126 * red + 0.7152 * green + 0.0722 * blue
    assert light[1] < light[0] - 0.1
    assert (np.diff(use) >= -1e-12).all()
    assert bars.cmap(1.0)[0] > 0.4 > bars.cmap(1.0)[1]
    with pytest.raises(ValueError, match="no supports"):
        plots.supports(part.bare(), SETUP)
