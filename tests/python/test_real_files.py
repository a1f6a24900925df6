"""Real files, sound and broken: each runs through or is refused with a clear message."""

from pathlib import Path

import pytest

import vatwright as vw

CORPUS = Path(__file__).parents[1] / "corpus"
MORE = Path(__file__).parents[2].parent / "shared" / "data"  # larger real files, where they are
FOUND = [p for folder in (MORE, CORPUS) for p in folder.rglob("*") if p.is_file()]
# The corpus's own copy of a file goes before a larger folder's.
BY_NAME = {p.name: p for p in FOUND if p.suffix.lower() in {".stl", ".obj", ".3mf"}}
FILES = sorted(BY_NAME.values())


@pytest.mark.parametrize("path", FILES, ids=lambda p: p.name)
def test_a_file_runs_through_or_is_refused(path: Path, tmp_path: Path) -> None:
    try:
        mended = vw.repair(vw.Mesh.load(path))
        part = vw.Part(mended.value)
        x, y, z = (high - low for low, high in zip(*part.bounds, strict=True))
        layers = part.layers(layer_mm=z / 100, pitch_mm=max(x, y) / 2000)
    except vw.Error as error:
        assert error.code in {"format", "mesh", "not_solid", "limit", "value"}
        assert path.name in str(error) or error.code != "format"
        return
    # Overlaps count once in the layers and twice in the mesh, so never more.
    assert 0.0 < layers.volume_mm3 < 1.1 * part.body.volume_mm3
    part.save(tmp_path / "again.stl")
    again = vw.Mesh.load(tmp_path / "again.stl")
    assert len(again.triangles) == len(part.body.mesh.triangles)
    assert again.volume_mm3 == pytest.approx(part.body.volume_mm3, rel=1e-4)


@pytest.mark.filterwarnings("ignore")
def test_volumes_agree_with_trimesh() -> None:
    """trimesh is an independent library; only what it calls a volume can be compared."""
    trimesh = pytest.importorskip("trimesh")
    compared = 0
    for path in (CORPUS / "meshes").glob("*.stl"):
        theirs = trimesh.load(path)
        if theirs.is_volume:
            ours = vw.repair(vw.Mesh.load(path)).value
            assert ours.volume_mm3 == pytest.approx(theirs.volume, rel=1e-6), path.name
            compared += 1
    assert compared >= 4
