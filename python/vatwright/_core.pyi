from collections.abc import Collection, Mapping, Sequence
from types import GenericAlias
from typing import (
    Any,
    ClassVar,
    Final,
    Generic,
    Literal,
    TypeVar,
    final,
    overload,
    type_check_only,
)

import numpy as np
import numpy.typing as npt
from typing_extensions import Self, dataclass_transform

from vatwright.types import (
    HoleFill,
    OrientGoal,
    PackGoal,
    PartPass,
    Path,
    PlugBar,
    PlugPlace,
    Progress,
    RaftStyle,
    RepairStrength,
    Role,
    Severity,
    Source,
    Table,
    Up,
)

_Bytes = bytes
_T = TypeVar("_T")
_Point = tuple[float, float, float]
_Bounds = tuple[_Point, _Point]
_Floats = npt.NDArray[np.float64]
_Flags = npt.NDArray[np.bool_]
_Indices = npt.NDArray[np.uint32]

BUILT_IN: Final[tuple[str, ...]]
CAUTIONS: Final[tuple[str, ...]]
ERRORS: Final[tuple[dict[str, str], ...]]
FINDINGS: Final[tuple[dict[str, str], ...]]
FORMAT: Final[int]
VERSION: Final[str]

@dataclass_transform(eq_default=True, frozen_default=True, kw_only_default=True)
@type_check_only
def _record(cls: type[_T]) -> type[_T]: ...

@type_check_only
class _Record:
    """What every class of plain data has; its fields are keyword arguments and attributes."""

    def replace(self, **values: Any) -> Self: ...
    def to_dict(self) -> dict[str, Any]: ...

@type_check_only
class _PartPass(_Record):
    @property
    def name(self) -> str: ...
    def apply(
        self,
        part: Part,
        setup: Setup | None = None,
        *,
        progress: Progress | None = None,
        threads: int | None = None,
    ) -> Done[Part]: ...

def diagnose(mesh: Mesh) -> Health: ...
def repair(
    mesh: Mesh,
    *,
    strength: RepairStrength = "fill",
    fill: HoleFill = "planar",
    weld_mm: float = 1e-4,
    hole_mm: float = 2.0,
    cell_mm: float | None = None,
    sheet_mm: float | None = None,
    max_cells: int = 30_000_000,
) -> Done[Solid]: ...
def winding_numbers(mesh: Mesh, points: npt.ArrayLike) -> _Floats: ...
def by_normal(mesh: Mesh, direction: _Point, *, within_deg: float) -> _Flags: ...
def by_plane(
    mesh: Mesh, point: _Point, normal: _Point, *, tolerance_mm: float = 1e-3
) -> _Flags: ...
def by_sphere(
    mesh: Mesh, center: _Point, radius_mm: float, *, tolerance_mm: float = 1e-2
) -> _Flags: ...
def by_cylinder(
    mesh: Mesh, point: _Point, axis: _Point, radius_mm: float, *, tolerance_mm: float = 1e-2
) -> _Flags: ...
def by_box(mesh: Mesh, low: _Point, high: _Point) -> _Flags: ...
def patch(mesh: Mesh, seed: int, *, crease_deg: float = 20.0) -> _Flags: ...
def figure(
    seed: int,
    height_mm: float = 75.0,
    triangles: int = 50_000,
    *,
    progress: Progress | None = None,
    threads: int | None = None,
) -> Solid: ...
def figure_of_shells(
    seed: int,
    height_mm: float = 75.0,
    triangles: int = 50_000,
    *,
    progress: Progress | None = None,
    threads: int | None = None,
) -> Solid: ...
def gear(
    module_mm: float, teeth: int, width_mm: float, bore_mm: float = 0.0, steps: int = 12
) -> Solid: ...
def plano_convex(
    radius_mm: float, diameter_mm: float, center_mm: float, segments: int = 128
) -> Solid: ...
def biconvex(
    lower_mm: float, upper_mm: float, diameter_mm: float, center_mm: float, segments: int = 128
) -> Solid: ...
def fresnel(
    focal_mm: float,
    index: float,
    diameter_mm: float,
    groove_mm: float,
    base_mm: float,
    segments: int = 128,
) -> Solid: ...
def lenticular(
    radius_mm: float,
    index: float,
    pitch_mm: float,
    length_mm: float,
    width_mm: float,
    segments: int = 32,
) -> Solid: ...
def cuboid(x_mm: float, y_mm: float, z_mm: float) -> Solid: ...
def sphere(radius_mm: float, triangles: int = 20_000) -> Solid: ...
def cylinder(radius_mm: float, height_mm: float, segments: int = 128) -> Solid: ...
def cone(radius_mm: float, height_mm: float, segments: int = 128) -> Solid: ...
def torus(ring_mm: float, tube_mm: float, segments: int = 128) -> Solid: ...
def tube(outer_mm: float, inner_mm: float, height_mm: float, segments: int = 128) -> Solid: ...
def bowl(outer_mm: float, wall_mm: float, hole_mm: float = 0.0, segments: int = 128) -> Solid: ...
def hollow_sphere(outer_mm: float, inner_mm: float, triangles: int = 20_000) -> Solid: ...
def _wait(
    seconds: float,
    *,
    panic: bool = False,
    progress: Progress | None = None,
    threads: int | None = None,
) -> int: ...

@final
class Mesh:
    __hash__: ClassVar[None]  # type: ignore[assignment]
    def __new__(
        cls, vertices: npt.ArrayLike, triangles: npt.ArrayLike, *, name: str = ""
    ) -> Self: ...
    @staticmethod
    def load(
        path: Path,
        *,
        unit_mm: float | None = None,
        weld_mm: float = 0.0,
        max_bytes: int | None = None,
    ) -> Mesh: ...
    @staticmethod
    def load_all(
        path: Path,
        *,
        unit_mm: float | None = None,
        weld_mm: float = 0.0,
        max_bytes: int | None = None,
    ) -> list[Mesh]: ...
    def save(self, path: Path) -> None: ...
    def measure(self) -> Measures: ...
    def measure_shells(self) -> list[Measures]: ...
    @staticmethod
    def from_trimesh(mesh: Any, *, name: str = "") -> Mesh: ...
    def to_trimesh(self) -> Any: ...
    @property
    def name(self) -> str: ...
    @property
    def notes(self) -> list[str]: ...
    @property
    def vertices(self) -> _Floats: ...
    @property
    def triangles(self) -> npt.NDArray[np.uint32]: ...
    @property
    def bounds(self) -> _Bounds: ...
    @property
    def volume_mm3(self) -> float: ...
    def renamed(self, name: str) -> Mesh: ...
    def scaled(self, factor: float) -> Mesh: ...
    def flipped(self) -> Mesh: ...
    def to_bytes(self) -> bytes: ...
    @classmethod
    def from_bytes(cls, bytes: _Bytes) -> Self: ...
    def __eq__(self, other: object, /) -> bool: ...

@final
class Solid:
    __hash__: ClassVar[None]  # type: ignore[assignment]
    def __new__(cls, mesh: Mesh) -> Self: ...
    @property
    def name(self) -> str: ...
    @property
    def mesh(self) -> Mesh: ...
    @property
    def bounds(self) -> _Bounds: ...
    @property
    def volume_mm3(self) -> float: ...
    def minus(self, *tools: Solid) -> Solid: ...
    def to_bytes(self) -> bytes: ...
    @classmethod
    def from_bytes(cls, bytes: _Bytes) -> Self: ...
    def __eq__(self, other: object, /) -> bool: ...

@final
@_record
class Defects(_Record):
    count: int
    places: Sequence[_Point]
    sizes_mm: Sequence[float]

@final
@_record
class Hole(_Record):
    edges: int
    length_mm: float
    span_mm: float
    place: _Point

@final
@_record
class Health(_Record):
    triangles: int
    vertices: int
    closed: bool
    open_edges: Defects
    crowded_edges: Defects
    clashing_edges: Defects
    one_sided: _Point | None
    turned_facets: Defects
    doubled_facets: Defects
    flat_facets: Defects
    shells: int
    cavities: int
    open_shells: Defects
    inside_out_shells: Defects
    slivers: Defects
    holes: int
    widest_holes: Sequence[Hole]
    @property
    def summary(self) -> str: ...
    def _repr_html_(self) -> str: ...

@final
@_record
class Weights(_Record):
    time: float = ...
    peak_peel: float = ...
    mean_peel: float = ...
    cups: float = ...
    islands: float = ...
    overhang: float = ...
    flats: float = ...
    clean_contact: float = ...
    clean_steps: float = ...
    steps: float = ...
    lean: float = ...
    holes: float = ...
    seen_scars: float = ...
    seen_steps: float = ...
    upright: float = ...

@final
@_record
class Terms(_Record):
    height_mm: float
    time_s: float
    peak_section_mm2: float
    peak_peel_n: float
    mean_peel_n: float
    cup_mm2: float
    pocket_mm3: float
    islands: float
    overhang_mm2: float
    marks: float
    flat_mm2: float
    clean_contact_mm2: float
    clean_step_mm: float
    step_mm: float
    stair_mm3: float
    lean_mm: float
    holes: float
    seen_scars_mm2: float
    seen_step_mm: float
    upright: float
    unseen: float

@final
@_record
class Candidate(_Record):
    up: _Point
    terms: Terms
    score: float
    front: bool
    admissible: bool

@final
@_record
class Tilt(_Record):
    angle_deg: float
    terms: Terms

@final
@_record
class Measures(_Record):
    volume_mm3: float
    area_mm2: float
    centroid: _Point
    inertia_mm5: _Floats
    bounds: _Bounds

@final
@_record
class Grid(_Record):
    layer_mm: float
    pitch_mm: float
    x0_mm: float
    y0_mm: float
    columns: int
    rows: int
    layers: int

@final
@_record
class Component(_Record):
    first_layer: int
    last_layer: int
    volume_mm3: float
    first_region: int

@final
@_record
class Cup(_Record):
    sealed: Sequence[tuple[int, float]]
    volume_mm3: float
    opens_at: int | None
    place: _Point
    @property
    def is_pocket(self) -> bool: ...
    @property
    def layers(self) -> tuple[int, int]: ...
    @property
    def widest(self) -> tuple[int, float]: ...

@final
class Layers:
    __hash__: ClassVar[None]  # type: ignore[assignment]
    @property
    def grid(self) -> Grid: ...
    @property
    def volume_mm3(self) -> float: ...
    def silhouette(self) -> npt.NDArray[np.uint8]: ...
    def mask(self, k: int) -> npt.NDArray[np.uint8]: ...
    def picture(self, k: int) -> bytes: ...
    def __getitem__(self, k: int, /) -> npt.NDArray[np.uint8]: ...
    def _repr_html_(self) -> str: ...
    def survey(self, *, progress: Progress | None = None, threads: int | None = None) -> Survey: ...
    def overhangs(
        self, reach_mm: float, *, progress: Progress | None = None, threads: int | None = None
    ) -> Table: ...
    def __len__(self) -> int: ...
    def __eq__(self, other: object, /) -> bool: ...

@final
class Survey:
    __hash__: ClassVar[None]  # type: ignore[assignment]
    @property
    def grid(self) -> Grid: ...
    @property
    def volume_mm3(self) -> float: ...
    def sections(self) -> Table: ...
    def regions(self) -> Table: ...
    def voids(self) -> Table: ...
    def islands(self) -> Table: ...
    @property
    def components(self) -> list[Component]: ...
    @property
    def cups(self) -> list[Cup]: ...
    def __eq__(self, other: object, /) -> bool: ...

@final
@_record
class VentHole(_Record):
    mouth: _Point
    inward: _Point
    diameter_mm: float
    length_mm: float
    cavity: int
    plug: int | None
    inner: bool

@final
@_record
class Drainage(_Record):
    volume_ml: float
    drain_s: float | None
    retained_ml: float
    pressure_kpa: float

@final
@_record
class Tip(_Record):
    contact: _Point
    normal: _Point
    diameter_mm: float
    node: int
    facet: int | None

@final
class Supports:
    __hash__: ClassVar[None]  # type: ignore[assignment]
    @property
    def nodes(self) -> _Floats: ...
    @property
    def members(self) -> _Indices: ...
    @property
    def diameters_mm(self) -> _Floats: ...
    @property
    def feet(self) -> _Indices: ...
    @property
    def tips(self) -> list[Tip]: ...
    @property
    def landings(self) -> list[Tip]: ...
    @property
    def mesh(self) -> Mesh: ...
    def frame(self, setup: Setup | None = None) -> Frame: ...
    def __eq__(self, other: object, /) -> bool: ...

@final
class Frame:
    @property
    def nodes(self) -> _Floats: ...
    @property
    def beams(self) -> _Indices: ...
    @property
    def area_mm2(self) -> _Floats: ...
    @property
    def inertia_mm4(self) -> _Floats: ...
    @property
    def torsion_mm4(self) -> _Floats: ...
    @property
    def modulus_mpa(self) -> _Floats: ...
    @property
    def shear_mpa(self) -> _Floats: ...
    @property
    def clamped(self) -> _Indices: ...
    @property
    def body(self) -> int: ...
    @property
    def tied(self) -> _Indices: ...
    @property
    def tips(self) -> tuple[int, int]: ...
    def solve(
        self, force_n: float, x_mm: float, y_mm: float
    ) -> tuple[_Floats, _Floats, _Floats]: ...

@final
class SupportEdit:
    @property
    def tips(self) -> list[Tip]: ...
    @property
    def part(self) -> Part: ...
    @property
    def report(self) -> Report: ...
    @property
    def layers_looked_at(self) -> int: ...
    def add(self, place: Sequence[float]) -> SupportEdit: ...
    def moved(self, tip: int, place: Sequence[float]) -> SupportEdit: ...
    def without(self, tips: Sequence[int]) -> SupportEdit: ...

@final
class Part:
    __hash__: ClassVar[None]  # type: ignore[assignment]
    def __new__(cls, body: Solid, *, name: str | None = None) -> Self: ...
    @property
    def name(self) -> str: ...
    @property
    def body(self) -> Solid: ...
    @property
    def pose(self) -> _Floats: ...
    @property
    def keep_clean(self) -> _Flags: ...
    def marked(self, keep_clean: npt.ArrayLike) -> Part: ...
    def appraised(
        self,
        up: Up | Sequence[float] | None = None,
        *,
        progress: Progress | None = None,
        threads: int | None = None,
    ) -> Part: ...
    @property
    def appearance(self) -> npt.NDArray[np.float32] | None: ...
    @property
    def upright(self) -> list[float] | None: ...
    @property
    def front(self) -> list[float] | None: ...
    def weighted(self, weights: npt.ArrayLike) -> Part: ...
    @property
    def cavities(self) -> list[Mesh]: ...
    @property
    def lattice(self) -> Mesh | None: ...
    @property
    def vents(self) -> list[VentHole]: ...
    @property
    def drainage(self) -> list[Drainage]: ...
    @property
    def plugs(self) -> list[Solid]: ...
    @property
    def bar(self) -> PlugBar | None: ...
    @property
    def asked(self) -> Mesh | None: ...
    @property
    def raft(self) -> Mesh | None: ...
    @property
    def supports(self) -> Supports | None: ...
    def fused(
        self,
        roles: Sequence[Role] | None = None,
        *,
        progress: Progress | None = None,
        threads: int | None = None,
    ) -> Solid: ...
    @property
    def bounds(self) -> _Bounds: ...
    def turned(self, rotation: npt.ArrayLike, *, z_mm: float = 0.0) -> Part: ...
    def bare(self) -> Part: ...
    def renamed(self, name: str) -> Part: ...
    def mesh(self, roles: Sequence[Role] | None = None) -> Mesh: ...
    @staticmethod
    def load(
        path: Path,
        *,
        unit_mm: float | None = None,
        weld_mm: float = 0.0,
        max_bytes: int | None = None,
    ) -> Part: ...
    def picture(
        self,
        *,
        azimuth_deg: float = 300.0,
        elevation_deg: float = 20.0,
        size_px: int = 320,
        roles: Sequence[Role] | None = None,
    ) -> _Bytes: ...
    def save(self, path: Path, roles: Sequence[Role] | None = None) -> None: ...
    def support_uses(
        self,
        setup: Setup | None = None,
        *,
        progress: Progress | None = None,
        threads: int | None = None,
    ) -> tuple[_Floats, _Floats, _Floats]: ...
    def layers(
        self,
        setup: Setup | None = None,
        *,
        layer_mm: float | None = None,
        pitch_mm: float | None = None,
        roles: Sequence[Role] | None = None,
        progress: Progress | None = None,
        threads: int | None = None,
    ) -> Layers: ...
    def to_bytes(self) -> bytes: ...
    @classmethod
    def from_bytes(cls, bytes: _Bytes) -> Self: ...
    def __eq__(self, other: object, /) -> bool: ...
    def _repr_html_(self) -> str: ...

@final
class Placed:
    __hash__: ClassVar[None]  # type: ignore[assignment]
    def __new__(cls, part: Part, *, x_mm: float, y_mm: float, turn_deg: float = 0.0) -> Self: ...
    @property
    def part(self) -> Part: ...
    @property
    def x_mm(self) -> float: ...
    @property
    def y_mm(self) -> float: ...
    @property
    def turn_deg(self) -> float: ...
    def __eq__(self, other: object, /) -> bool: ...

@final
class Plate:
    __hash__: ClassVar[None]  # type: ignore[assignment]
    def __new__(
        cls,
        name: str,
        placed: Sequence[Placed],
        *,
        width_mm: float,
        depth_mm: float,
        printer: str = "",
    ) -> Self: ...
    @property
    def name(self) -> str: ...
    @property
    def printer(self) -> str: ...
    @property
    def width_mm(self) -> float: ...
    @property
    def depth_mm(self) -> float: ...
    @property
    def placed(self) -> list[Placed]: ...
    @property
    def height_mm(self) -> float: ...
    @property
    def bounds(self) -> _Bounds: ...
    def save(self, path: Path) -> None: ...
    def inspect(
        self,
        setup: Setup | None = None,
        *,
        progress: Progress | None = None,
        threads: int | None = None,
    ) -> Report: ...
    def picture_svg(self, *, legend: bool = True) -> str: ...
    def picture(
        self,
        *,
        azimuth_deg: float = 300.0,
        elevation_deg: float = 35.0,
        size_px: int = 640,
        roles: Sequence[Role] | None = None,
    ) -> bytes: ...
    def __eq__(self, other: object, /) -> bool: ...
    def _repr_html_(self) -> str: ...

@final
@_record
class Machine(_Record):
    width_mm: float = 130.0
    depth_mm: float = 80.0
    height_mm: float = 160.0
    pixel_mm: float = 0.05
    lift_mm: float = 5.0
    lift_speed_mm_s: float = 1.0
    return_speed_mm_s: float = 2.5
    settle_s: float = 0.5
    pause_s: float = 0.5
    vat_ml: float = 250.0
    separation_kpa: float = 20.0
    separation_area_mm2: float = 100.0
    separation_area_exponent: float = 0.7
    separation_speed_mm_s: float = 1.0
    separation_speed_exponent: float = 0.38
    side_share: float = 0.05
    film_compliance_mm_n: float = 0.02
    frame_stiffness_n_mm: float = 400.0
    power_w: float = 60.0
    price_per_hour: float = 0.5

@final
@_record
class Resin(_Record):
    liquid_g_cm3: float = 1.10
    cured_g_cm3: float = 1.18
    viscosity_pa_s: float = 0.3
    surface_tension_mn_m: float = 33.0
    penetration_mm: float = 0.12
    critical_mj_cm2: float = 6.0
    green_modulus_mpa: float = 1000.0
    green_strength_mpa: float = 20.0
    poisson: float = 0.4
    newest_factor: float = 0.4
    plate_bond_kpa: float = 150.0
    price_per_litre: float = 40.0

@final
@_record
class Exposure(_Record):
    layer_mm: float = 0.05
    exposure_s: float = 3.0
    first_layers: int = 5
    first_exposure_s: float = 30.0
    irradiance_mw_cm2: float = 4.0
    edge_blur_mm: float = 0.025
    edge_tail_mm: float = 0.1
    edge_tail_share: float = 0.25

@final
@_record
class Limits(_Record):
    safety: float = 2.0
    lost_tip_safety: float = 1.0
    confidence: float = 0.9
    vent_pressure_kpa: float = 5.0
    drain_s: float = 600.0
    missed_layer: float = 0.05
    sag_mm: float = 0.1
    noise_mm3: float = 0.05

@final
@_record
class Setup(_Record):
    name: str = ""
    machine: Machine = ...
    resin: Resin = ...
    exposure: Exposure = ...
    limits: Limits = ...
    intervals: dict[str, dict[str, tuple[float, float]]] = ...

    @staticmethod
    def load(name_or_path: Path) -> Setup: ...
    @staticmethod
    def from_toml(text: str, *, place: str = "text") -> Setup: ...
    def to_toml(self) -> str: ...
    def _repr_html_(self) -> str: ...

@final
@_record
class Repair(_Record):
    strength: RepairStrength = ...
    fill: HoleFill = ...
    weld_mm: float = ...
    hole_mm: float = ...
    cell_mm: float | None = ...
    sheet_mm: float | None = ...
    max_cells: int = ...
    @property
    def name(self) -> str: ...
    @overload
    def apply(
        self,
        subject: Mesh,
        setup: Setup | None = None,
        *,
        progress: Progress | None = None,
        threads: int | None = None,
    ) -> Done[Solid]: ...
    @overload
    def apply(
        self,
        subject: Part,
        setup: Setup | None = None,
        *,
        progress: Progress | None = None,
        threads: int | None = None,
    ) -> Done[Part]: ...

@final
@_record
class Orient(_PartPass):
    directions: int = ...
    refine: int = ...
    coarse_mm: float | None = ...
    fine_mm: float | None = ...
    goals: Sequence[OrientGoal] = ...
    slack: float = ...
    weights: Weights = ...
    up: Up = ...
    spare_clean: bool = ...
    lift_mm: float = ...
    border_mm: float = ...
    def search(
        self,
        part: Part,
        setup: Setup | None = None,
        *,
        progress: Progress | None = None,
        threads: int | None = None,
    ) -> tuple[list[Candidate], list[Candidate]]: ...
    def sweep(
        self,
        part: Part,
        setup: Setup | None = None,
        *,
        axis: Sequence[float],
        from_deg: float,
        to_deg: float,
        steps: int,
        progress: Progress | None = None,
        threads: int | None = None,
    ) -> list[Tilt]: ...

@final
@_record
class Hollow(_PartPass):
    wall_mm: float = ...
    cell_mm: float | None = ...
    tolerance_mm: float = ...
    least_cavity_mm3: float = ...
    least_saved: float = ...
    roof: bool = ...
    max_cells: int = ...
    lattice: Mapping[str, float] | None = ...

@final
@_record
class Vent(_PartPass):
    least_mm: float = 1.5
    most_mm: float = 6.0
    longest_mm: float = 12.0
    margin_mm: float = 0.6
    cup_mm2: float = 10.0
    puddle_ml: float = 0.2
    least_cavity_mm3: float = 10.0
    sides: int = 32
    plugs: bool = True
    clearance_mm: float = 0.1

@final
@_record
class Raft(_PartPass):
    style: RaftStyle = "solid"
    thickness_mm: float = 0.6
    margin_mm: float = 1.5
    rim_deg: float = 45.0
    opening_mm: float = 0.0
    inset_mm: float | None = None
    lift_mm: float = 5.0

@final
@_record
class Compensate(_PartPass):
    rounds: int = 8
    most_mm: float = 0.5
    least_wall_mm: float = 0.2
    move_keep_clean: bool = False
    pitch_mm: float | None = None
    apart_mm: float = 0.5

@final
@_record
class Support(_PartPass):
    tip_mm: float = 0.4
    neck_mm: float = 2.0
    embed_mm: float = 0.15
    column_mm: float = 1.0
    column_deg: float = 45.0
    gap_mm: float = 0.4
    self_deg: float = 35.0
    reach_mm: float | None = None
    land_on_part: bool = True
    def edit(
        self,
        part: Part,
        setup: Setup | None = None,
        *,
        progress: Progress | None = None,
        threads: int | None = None,
    ) -> SupportEdit: ...

@final
@_record
class Check(_PartPass): ...

@final
@_record
class Pack(_Record):
    gap_mm: float = 1.0
    margin_mm: float = 1.0
    turn_step_deg: float = 45.0
    band_mm: float | None = None
    plugs: PlugPlace = ...
    goal: PackGoal = ...
    copies: Mapping[str, int] = ...
    together: Sequence[Sequence[str]] = ...
    due: Mapping[str, int] = ...
    printers: Sequence[Setup] = ...
    keep_out: Sequence[Mapping[str, float]] = ...
    max_parts: int | None = None
    keep_order: bool = False
    rounds: int = 2000
    seconds: float | None = None
    seed: int = 1
    @property
    def name(self) -> str: ...
    def apply(
        self,
        parts: Sequence[Part],
        setup: Setup | None = None,
        *,
        progress: Progress | None = None,
        threads: int | None = None,
    ) -> Done[list[Plate]]: ...

@final
@_record
class Cost(_Record):
    plate: str
    printer: str
    placed: Sequence[Mapping[str, Any]]
    plugs: int
    layers: int
    time_s: float
    first_layers_s: float
    exposure_s: float
    motion_s: float
    layer_mm2: Sequence[float]
    resin_ml: Mapping[Role, float]
    wash_loss_ml: float
    vat_loss_ml: float
    trapped_ml: float
    sealed_ml: float
    resin_total_ml: float
    mass_g: float
    refills: Sequence[Mapping[str, Any]]
    moments: Sequence[Mapping[str, Any]]
    energy_kwh: float
    wash_s: float
    cure_s: float
    change_over_s: float
    plates_per_night: int
    prices: Mapping[str, float]
    sheets: Sequence[Mapping[str, Any]]
    origin: Mapping[str, Literal["computed", "assumed"]]
    def _repr_html_(self) -> str: ...

@final
@_record
class Estimate(_Record):
    pitch_mm: float = 0.1
    cling_mm: float = 0.05
    vat_loss_ml: float = 5.0
    vat_reserve_ml: float = 50.0
    wash_s: float = 300.0
    clear_wash_s: float = 60.0
    cure_s: float = 600.0
    clear: Collection[str] = ...
    post_power_w: float = 50.0
    price_per_kwh: float = 0.3
    change_over_s: float = 900.0
    night_h: float = 12.0
    @property
    def name(self) -> str: ...
    def apply(
        self,
        plate: Plate,
        setup: Setup | None = None,
        *,
        progress: Progress | None = None,
        threads: int | None = None,
    ) -> Done[Cost]: ...

@final
@_record
class Printed(_Record):
    part: str
    deviation_mm: _Floats
    mean_mm: float
    greatest_mm: float
    flare_mm: float
    through_mm: float
    closed_mm2: float
    lost_mm2: float
    drawn_mm3: float
    cured_mm3: float
    least_pin_mm: float
    least_bore_mm: float
    form_mm: float
    roughness_mm: float
    def _repr_html_(self) -> str: ...

@final
@_record
class Print(_Record):
    pitch_mm: float | None = None
    apart_mm: float = 0.5
    least_mm2: float = 0.05
    @property
    def name(self) -> str: ...
    @overload
    def apply(
        self,
        item: Part,
        setup: Setup | None = None,
        *,
        progress: Progress | None = None,
        threads: int | None = None,
    ) -> Done[Printed]: ...
    @overload
    def apply(
        self,
        item: Plate,
        setup: Setup | None = None,
        *,
        progress: Progress | None = None,
        threads: int | None = None,
    ) -> Done[list[Printed]]: ...

@final
class Recipe:
    __hash__: ClassVar[None]  # type: ignore[assignment]
    def __new__(cls, passes: Sequence[PartPass] | None = None) -> Self: ...
    @staticmethod
    def load(path: Path) -> Recipe: ...
    @staticmethod
    def from_toml(text: str, *, place: str = "text") -> Recipe: ...
    @staticmethod
    def from_json(text: str, *, place: str = "text") -> Recipe: ...
    def to_toml(self) -> str: ...
    def to_json(self) -> str: ...
    @property
    def name(self) -> str: ...
    @property
    def repair(self) -> Repair: ...
    @property
    def passes(self) -> tuple[PartPass, ...]: ...
    def apply(
        self,
        part: Part,
        setup: Setup | None = None,
        *,
        progress: Progress | None = None,
        threads: int | None = None,
    ) -> Done[Part]: ...
    def __eq__(self, other: object, /) -> bool: ...

@final
@_record
class Finding(_Record):
    code: str
    severity: Severity
    part: str
    plate: str = ...
    layers: tuple[int, int] | None = ...
    place: _Point | None = ...
    value: float | None = ...
    limit: float | None = ...
    unit: str = ...
    message: str
    remedy: str = ...

@final
@_record
class Report(_Record):
    pass_: str = ...
    part: str = ...
    numbers: Mapping[str, float] = ...
    words: Mapping[str, str] = ...
    findings: Sequence[Finding] = ...
    inner: Sequence[Report] = ...
    sources: Sequence[Source] = ...
    data: Mapping[str, Any] = ...
    @property
    def worst(self) -> Severity | None: ...
    def all_findings(self) -> list[Finding]: ...
    def _repr_html_(self) -> str: ...

@final
class Done(Generic[_T]):
    __hash__: ClassVar[None]  # type: ignore[assignment]
    def __new__(cls, value: _T, report: Report) -> Self: ...
    @property
    def value(self) -> _T: ...
    @property
    def report(self) -> Report: ...
    def __eq__(self, other: object, /) -> bool: ...
    def __class_getitem__(cls, key: Any) -> GenericAlias: ...
