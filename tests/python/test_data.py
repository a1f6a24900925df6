"""Objects of the package as data: arrays, equality, immutability, pickling, keywords."""

import copy
import pickle
from typing import Any

import numpy as np
import pytest
from shapes import box

import vatwright as vw


def everything(part: vw.Part, setup: vw.Setup) -> list[Any]:
    placed = [vw.Placed(part, x_mm=float(i), y_mm=2.0, turn_deg=30.0) for i in range(3)]
    finding = vw.Finding(
        code="cup",
        severity="fault",
        part="box",
        layers=(3, 9),
        place=(1.0, 2.0, 3.0),
        value=2.5,
        limit=0.5,
        unit="mm²",
        message="a void is sealed",
        remedy="vent it",
    )
    report = vw.Report(pass_="check", part="box", numbers={"area_mm2": 2.5}, findings=[finding])
    return [
        part,
        part.body,
        part.body.mesh,
        placed[0],
        vw.Plate("one", placed, width_mm=130.0, depth_mm=80.0),
        setup,
        setup.machine,
        finding,
        vw.Report(pass_="recipe", inner=[report]),
        vw.Done(part, report),
        vw.Recipe(),
        *vw.Recipe().passes,
        vw.Pack(),
        vw.Estimate(),
        vw.Print(),
        vw.Compensate(),
    ]


def test_everything_pickles_copies_and_shows(part: vw.Part, setup: vw.Setup) -> None:
    for thing in everything(part, setup):
        for protocol in range(2, pickle.HIGHEST_PROTOCOL + 1):
            assert pickle.loads(pickle.dumps(thing, protocol)) == thing
        assert copy.deepcopy(thing) == thing
        assert type(thing).__name__ in repr(thing)
        assert thing != object()


def test_nothing_can_be_changed(part: vw.Part, setup: vw.Setup) -> None:
    for thing in everything(part, setup):
        with pytest.raises((AttributeError, TypeError)):
            thing.name = "other"
        with pytest.raises((AttributeError, TypeError)):
            thing.something = 1
    vertices = part.body.mesh.vertices
    vertices[:] = 0.0
    assert part.body.mesh.vertices.max() == 10.0


def test_a_pickled_plate_keeps_shared_parts_once(part: vw.Part) -> None:
    placed = [vw.Placed(part, x_mm=float(i), y_mm=0.0) for i in range(40)]
    one = pickle.dumps(vw.Plate("one", placed[:1], width_mm=100.0, depth_mm=100.0))
    many = pickle.dumps(vw.Plate("many", placed, width_mm=100.0, depth_mm=100.0))
    assert len(many) < len(one) + 40 * 100


def test_large_meshes_pickle_as_numbers_not_text() -> None:
    n = 20_000
    rng = np.random.default_rng(1)
    vertices = rng.normal(size=(n, 3))
    mesh = vw.Mesh(vertices, rng.integers(0, n, size=(2 * n, 3)))
    assert len(pickle.dumps(mesh)) < 1.4 * (n * 3 * 8 + 2 * n * 3 * 4)


def test_arrays_come_back_as_given() -> None:
    mesh = box()
    assert mesh.vertices.dtype == np.float64
    assert mesh.triangles.dtype == np.uint32
    again = vw.Mesh(mesh.vertices, mesh.triangles, name=mesh.name)
    assert again == mesh
    assert vw.Mesh(np.asfortranarray(mesh.vertices), mesh.triangles[::1], name="box") == mesh
    assert vw.Mesh(mesh.vertices[::-1][::-1], mesh.triangles, name="box") == mesh
    assert vw.Mesh(mesh.vertices.astype(np.float32), mesh.triangles.astype(np.int64)).volume_mm3
    assert vw.Mesh([], []).volume_mm3 == 0.0


@pytest.mark.parametrize(
    ("vertices", "triangles", "kind", "match"),
    [
        (np.zeros((3, 2)), [[0, 1, 2]], ValueError, r"vertices must have shape \(n, 3\)"),
        (np.zeros(9), [[0, 1, 2]], ValueError, r"vertices must have shape"),
        ([["a", "b", "c"]], [[0, 0, 0]], TypeError, "vertices must hold float64"),
        (np.zeros((3, 3), complex), [[0, 1, 2]], TypeError, "complex128"),
        (np.zeros((3, 3)), [[0.0, 1.0, 2.0]], TypeError, "triangles must hold int64"),
        (np.zeros((3, 3)), [[0, 1, -1]], ValueError, r"triangles\[0\]"),
        (np.zeros((3, 3)), [[0, 1, 2**40]], ValueError, r"triangles\[0\]"),
        (np.zeros((3, 3)), [[0, 1, 3]], vw.MeshError, "triangle 0 refers to vertex"),
        ([[0, 0, np.nan]] * 3, [[0, 1, 2]], vw.MeshError, "not a finite number"),
        (None, [[0, 1, 2]], TypeError, "object"),
    ],
)
def test_arrays_that_do_not_fit_are_named(
    vertices: Any, triangles: Any, kind: type[Exception], match: str
) -> None:
    with pytest.raises(kind, match=match):
        vw.Mesh(vertices, triangles)


def test_an_open_mesh_is_no_solid() -> None:
    mesh = box()
    with pytest.raises(vw.NotSolidError, match="do not pair up: "):
        vw.Solid(vw.Mesh(mesh.vertices, mesh.triangles[1:]))


def test_trimesh_there_and_back() -> None:
    trimesh = pytest.importorskip("trimesh")
    ball = trimesh.creation.icosphere(subdivisions=3, radius=5.0)
    mesh = vw.Mesh.from_trimesh(ball, name="ball")
    assert np.array_equal(mesh.vertices, ball.vertices)
    assert mesh.volume_mm3 == pytest.approx(ball.volume, rel=1e-12)
    back = mesh.to_trimesh()
    assert back.is_watertight
    assert np.array_equal(back.faces, ball.faces)


def test_turning_a_part(part: vw.Part) -> None:
    quarter = [[0, 0, 1], [0, 1, 0], [-1, 0, 0]]
    turned = part.turned(quarter, z_mm=5.0)
    assert np.allclose(turned.pose[:3, :3], quarter)
    assert np.allclose(turned.bounds, ((-5, -5, 5), (5, 5, 15)))
    for bad in (np.eye(3) * 2, -np.eye(3), np.eye(2), "x"):
        with pytest.raises((ValueError, TypeError), match="rotation"):
            part.turned(bad)


def test_unknown_and_unfit_keywords_are_named() -> None:
    with pytest.raises(TypeError, match=r"Machine\(\) got an unexpected keyword 'width'"):
        vw.Machine(width=3)  # type: ignore[call-arg]
    with pytest.raises(TypeError, match=r"Machine\.width_mm: .*string \"wide\""):
        vw.Machine(width_mm="wide")  # type: ignore[arg-type]
    with pytest.raises(TypeError, match=r"Setup\.exposure\.first_layers"):
        vw.Setup(exposure={"first_layers": 2.5})  # type: ignore[arg-type]
    with pytest.raises(TypeError, match="missing field `severity`"):
        vw.Finding(code="cup", part="box", message="")  # type: ignore[call-arg]


def test_numbers_of_numpy_are_numbers() -> None:
    given: dict[str, Any] = {"width_mm": np.float32(100), "depth_mm": np.int64(50)}
    machine = vw.Machine(pixel_mm=np.float64(0.05), **given)
    assert (machine.width_mm, machine.pixel_mm, machine.depth_mm) == (100.0, 0.05, 50.0)
    layers: Any = np.int32(4)
    assert vw.Exposure(first_layers=layers).first_layers == 4


def test_replace_changes_only_what_it_names(setup: vw.Setup) -> None:
    fine = setup.replace(exposure={"layer_mm": 0.025})
    assert fine.exposure == setup.exposure.replace(layer_mm=0.025)
    assert fine.exposure.first_layers == setup.exposure.first_layers
    assert fine.machine == setup.machine
    with pytest.raises(vw.OptionError):
        setup.replace(exposure={"layer_mm": -1.0})


def test_setups_and_recipes_read_and_write(setup: vw.Setup) -> None:
    assert vw.Setup.from_toml(setup.to_toml()) == setup
    assert {vw.Setup.load(name).name for name in vw.BUILT_IN} == set(vw.BUILT_IN)
    recipe = vw.Recipe()
    assert vw.Recipe.from_toml(recipe.to_toml()) == recipe
    assert vw.Recipe.from_json(recipe.to_json()) == recipe
    with pytest.raises(vw.ConfigError, match=r"mine\.toml"):
        vw.Recipe.from_toml("steps = 3", place="mine.toml")


def test_a_report_gathers_its_findings() -> None:
    def finding(severity: Any) -> vw.Finding:
        return vw.Finding(code="x", severity=severity, part="p", message="m")

    inner = vw.Report(pass_="b", findings=[finding("warning")])
    report = vw.Report(pass_="a", findings=[finding("note")], inner=[inner])
    assert report.pass_ == "a"
    assert [f.severity for f in report.all_findings()] == ["note", "warning"]
    assert report.worst == "warning"
    assert vw.Report().worst is None
    assert report.findings[0].remedy == ""
    assert report.findings[0].place is None
