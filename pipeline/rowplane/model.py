"""The nouns that travel between the stages. Frozen; arrays are read-only by agreement; shape, unit and frame stated.

Units: millimetres, degrees, newtons, pascals, kilograms; the unit is in the name where it could be doubted.

Frames: *survey* is X east, Y north, Z up, ground mm from a local origin; *face* is u along the eave (left to right for
someone on the ground who faces the roof), v up the slope, w outward, square to the face's plane. (u, v) = (0, 0) is the
datum: left verge's tile edge and nose line of the first full course.

Signs, written here once: w, lift and every height are positive outwards; an adjustment is positive where the foot is
raised over mid-travel; a packer is positive (it raises); azimuth is that of the downslope direction, clockwise from
grid north; a pressure or hook force 'up' or 'uplift' is positive away from the roof, 'down' positive towards it,
'downslope' positive towards the eave.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, fields, replace
from typing import Any, Literal, Protocol

import numpy as np
from numpy.typing import NDArray
from shapely.geometry import Polygon
from shapely.geometry.base import BaseGeometry

Array = NDArray[np.float64]

Severity = Literal["info", "caution", "person", "stop"]
"""info: for the record; caution: printed on the sheets; person: somebody has to look (exit 1); stop: no layout."""

EdgeKind = Literal["eave", "ridge", "hip", "valley", "verge", "step"]
Trust = Literal["ok", "measure"]
Reach = Literal["ok", "packer", "out-of-reach"]
Orientation = Literal["portrait", "landscape"]
Verdict = Literal["good", "measure some feet", "not fit"]


@dataclass(frozen=True)
class Finding:
    """Something a person should know; `code` is a key of the catalogue in findings.py.

    `subject` names what it is about (`face A`, `foot A-2-3`), `text` is the whole sentence, `value` and `limit` the two
    numbers behind it with their `unit`, where there are such numbers.
    """

    code: str
    severity: Severity
    subject: str
    text: str
    value: float | None = None
    limit: float | None = None
    unit: str = ""


# ---------------------------------------------------------------- ingest


@dataclass(frozen=True)
class SurveyFrame:
    """How scan coordinates become survey coordinates; frames.py has the two functions.

    survey_mm = (scan − origin) · axesᵀ × (unit_mm / grid_scale, same, unit_z_mm).

    `origin` `(3,)` in the scan's own coordinates; `axes` `(3, 3)`, rows are survey X, Y, Z in scan axes; `grid_scale`
    the projection's point scale factor (grid length / ground length); `epsg` and `crs_wkt` where known; `unit_source`
    says in words how the unit was known.
    """

    origin: Array
    axes: Array
    unit: str
    unit_mm: float
    unit_z_mm: float
    grid_scale: float = 1.0
    epsg: int | None = None
    crs_wkt: str | None = None
    unit_source: str = ""


@dataclass(frozen=True)
class SourceFile:
    """One input file: name as given, size, sha-256 of its bytes, points it held."""

    name: str
    size_bytes: int
    sha256: str
    points: int
    format: str


@dataclass(frozen=True)
class Readings:
    """A level survey: reading i belongs to point i of the survey. u, v from the datum, v on the slope, mm `(n,)`.

    `height_mm` is vertical, upwards, on one level datum. `on` is crown, pan, board or '' per reading.
    `given_uv` is False where the file had x, y, z and u, v were worked out from them.
    """

    u_mm: Array
    v_mm: Array
    height_mm: Array
    on: tuple[str, ...]
    point: tuple[str, ...]
    course: tuple[str, ...]
    given_uv: bool


@dataclass(frozen=True)
class Survey:
    """What was measured, in the survey frame.

    `points_mm` `(n, 3)`, float32 or float64: the origin is local, so float32 steps stay below 0.01 mm within 100 m.
    `classes` `(n,)` uint8 ASPRS classes or None. `dropped` counts points left out, by reason. `readings` is set for a
    level survey only. `footprint_mm` is a plan polygon in the survey frame where the lead gave one; `at_mm` a plan point
    of the building to work on, where it gave that. `step_mm` is the coarsest coordinate step of the files, 0 for none.
    """

    name: str
    kind: Literal["cloud", "level"]
    points_mm: NDArray[Any]
    classes: NDArray[np.uint8] | None
    frame: SurveyFrame
    sources: tuple[SourceFile, ...]
    dropped: tuple[tuple[str, int], ...] = ()
    readings: Readings | None = None
    footprint_mm: Polygon | None = None
    at_mm: tuple[float, float] | None = None
    step_mm: float = 0.0
    findings: tuple[Finding, ...] = ()


@dataclass(frozen=True)
class ScanQuality:
    """Is this scan good enough, and if not, why. Figures are over the chosen building's faces.

    `density_per_m2` points per square metre of slope (median over cells) and `density_ratio` its 90/10 percentile
    ratio; `noise_mm` robust short-range scatter; `step_mm` coordinate step of the file; `hole_share` of the face area;
    `tilt_deg` suspected tilt of the whole survey; `bubble_mm` amplitude of smooth error that is not roof.
    """

    verdict: Verdict
    reasons: tuple[str, ...]
    points: int
    points_on_roof: int
    density_per_m2: float
    density_ratio: float
    noise_mm: float
    step_mm: float
    hole_share: float
    tilt_deg: float
    bubble_mm: float
    findings: tuple[Finding, ...] = ()


# ---------------------------------------------------------------- planes


@dataclass(frozen=True)
class FaceFrame:
    """Plane of a face: `origin_mm` `(3,)` and `axes` `(3, 3)`, rows u, v, w, in the survey frame."""

    origin_mm: Array
    axes: Array


@dataclass(frozen=True)
class Edge:
    """One straight edge of a face outline from `start_uv` to `end_uv`, mm, outline counter-clockwise seen from outside.

    `neighbour` is the id of the face beyond a ridge, hip, valley or step, where there is one.
    """

    kind: EdgeKind
    start_uv: tuple[float, float]
    end_uv: tuple[float, float]
    neighbour: str | None = None


@dataclass(frozen=True)
class Obstacle:
    """Something on the face that no module may cover: `outline` in u, v, mm; `height_mm` over the face, 0 for a hole."""

    outline: Polygon
    height_mm: float
    kind: Literal["obstacle", "hole"]


@dataclass(frozen=True)
class Face:
    """One plane of the roof.

    `outline` in the frame's u, v, mm. `rms_mm` is that of its labelled points (tile relief included; of an even
    sample of them in large scans). `covariance`
    `(3, 3)` of (slope along u, slope along v, height at the outline's centroid), in rad², rad·mm, mm².
    `used` is False for a face of the building that gets no modules by itself (too small, too flat), with the reason in
    `note`.
    """

    id: str
    frame: FaceFrame
    outline: Polygon
    edges: tuple[Edge, ...]
    obstacles: tuple[Obstacle, ...]
    points: int
    rms_mm: float
    covariance: Array
    used: bool = True
    note: str = ""

    @property
    def area_m2(self) -> float:
        """Area on the slope, holes and obstacles not taken off."""
        return float(self.outline.area) / 1e6


@dataclass(frozen=True)
class Building:
    """One building seen in the scan: plan `outline` in the survey frame, mm; `chosen` is the one worked on."""

    outline: Polygon
    area_m2: float
    chosen: bool


@dataclass(frozen=True)
class Roof:
    """The faces of the chosen building, largest first, ids A, B, C…

    `labels` `(n,)` int16: index into `faces` of every survey point, −1 for all else.
    """

    faces: tuple[Face, ...]
    labels: NDArray[np.int16]
    buildings: tuple[Building, ...]
    findings: tuple[Finding, ...] = ()


# ---------------------------------------------------------------- surface


class HeightField(Protocol):
    """The substrate's height over a face plane as a Gaussian field; what later stages ask of a scan or level survey."""

    def mean_mm(self, uv_mm: Array) -> Array:
        """Posterior mean of w at `(n, 2)`, mm → `(n,)`, mm."""
        ...

    def covariance_mm2(self, uv_mm: Array, other_uv_mm: Array | None = None) -> Array:
        """Posterior covariance between two sets of points `(n, 2)`, `(m, 2)` → `(n, m)`, mm². Survey error included."""
        ...


@dataclass(frozen=True)
class TilePattern:
    """The laid tile grid of a face, in its u, v (datum frame, so that nose line 1 runs through v = 0 at u = 0).

    Course k (1, 2, …) has its nose at `nose_mm(k, u)`; pan j (1 = first whole pan from the datum) its centre at
    `pan_mm(j, v)`. `relief_mm` `(nv, nu)` is the tile top over the substrate on a regular grid over one tile, rows from
    the nose up, columns from the pan centre to the right, lowest pan level 0. `skew` is the turn of the columns against
    v, `tilt` that of the noses against u, in mm per mm. `drift` is the change of gauge per course, mm.
    `confidence` 0…1. Flat tiles may show their courses only: cover width, `cover_width_sd_mm`, `pan_phase_mm`,
    `pan_width_mm` and `rise_mm` are NaN then.
    """

    gauge_mm: float
    cover_width_mm: float
    nose_phase_mm: float
    pan_phase_mm: float
    skew: float
    tilt: float
    drift_mm: float
    rise_mm: float
    course_step_mm: float
    profile: Literal["high", "low", "flat"]
    relief_mm: Array
    confidence: float
    gauge_sd_mm: float
    cover_width_sd_mm: float
    pan_width_mm: float

    @property
    def has_pans(self) -> bool:
        """Whether tile columns, and with them pans, are known."""
        return bool(np.isfinite(self.cover_width_mm))

    def nose_mm(self, course: int | Array, u_mm: float | Array = 0.0) -> Any:
        """v of the nose of `course` at `u`."""
        k = np.asarray(course) - 1
        return self.nose_phase_mm + k * self.gauge_mm + 0.5 * k * (k - 1) * self.drift_mm + self.tilt * np.asarray(u_mm)

    def pan_mm(self, pan: int | Array, v_mm: float | Array = 0.0) -> Any:
        """u of the centre of `pan` at `v`."""
        return self.pan_phase_mm + (np.asarray(pan) - 1) * self.cover_width_mm + self.skew * np.asarray(v_mm)


@dataclass(frozen=True)
class Flatness:
    """How far the substrate is from flat.

    `gap_mm` greatest gap under a straightedge, by (length in mm, 'along' the eave or 'up' the slope); `zone_lsq_mm` and
    `zone_min_mm` peak-to-valley from the least-squares and the minimum-zone plane (ISO 12781-1 FLTt);
    `rafter_sag_mm` greatest sag of a line up the slope from its chord with `rafter_sag_share` = span / sag.
    """

    gap_mm: tuple[tuple[float, str, float], ...]
    zone_lsq_mm: float
    zone_min_mm: float
    rafter_sag_mm: float
    rafter_sag_share: float


@dataclass(frozen=True)
class Patch:
    """Part of a face kept out of the substrate; `outline` in u, v, mm, `height_mm` over the tiles' own tops.

    displaced: a tile that does not lie as its neighbours do; growth: moss and the like; missing: a tile that is not there;
    cap, tray: a strip along an edge that stands over the tiles (ridge and hip caps) or lies under them (valley trays).
    """

    outline: Polygon
    kind: Literal["displaced", "growth", "cap", "tray", "missing"]
    height_mm: float


@dataclass(frozen=True)
class Surface:
    """One face as later stages see it. `face` is re-expressed in the datum frame on the substrate's own plane.

    `height` answers for mean and covariance. `noise_mm` is the scatter of one point about tile and substrate;
    `deviation_rms_mm` and `deviation_max_mm` are of the substrate over its plane. `relief_crown_mm` is the greatest tile
    top over the substrate (0 without a pattern: then the points' own tops are in `height`).
    `own_mm` is a raster `(nv, nu)` of the mean height with `raster_uv_mm` `(2,)` its first cell's centre and
    `raster_step_mm`, NaN outside the face; `sd_mm` the standard deviation on the same cells.
    `datum_note` says in words where u = 0, v = 0 lies on this face.
    """

    face: Face
    pattern: TilePattern | None
    height: HeightField
    noise_mm: float
    deviation_rms_mm: float
    deviation_max_mm: float
    relief_crown_mm: float
    raster_uv_mm: Array
    raster_step_mm: float
    own_mm: Array
    sd_mm: Array
    flatness: Flatness | None
    patches: tuple[Patch, ...]
    datum_note: str
    findings: tuple[Finding, ...] = ()


@dataclass(frozen=True)
class Surfaces:
    """One Surface per face of the roof that is worked on, in the roof's order."""

    surfaces: tuple[Surface, ...]
    findings: tuple[Finding, ...] = ()

    def of(self, face_id: str) -> Surface:
        """The surface of a face; raises KeyError for a face that has none."""
        for surface in self.surfaces:
            if surface.face.id == face_id:
                return surface
        raise KeyError(face_id)


# ---------------------------------------------------------------- placement


@dataclass(frozen=True)
class Module:
    """One module: `rect_mm` = (u_left, v_front, u_right, v_top) on the face; row and column count from 1 at front left."""

    id: str
    row: int
    column: int
    rect_mm: tuple[float, float, float, float]


@dataclass(frozen=True)
class Line:
    """A line of feet across the slope at `v_mm`: 0 is the front edge of row 1, the last the top edge.

    `runs` are the stretches (u_start, u_end) over which modules touch the line; `seams_mm` the u of every seam between
    neighbouring modules of the rows on it.
    """

    index: int
    v_mm: float
    runs: tuple[tuple[float, float], ...]
    seams_mm: tuple[float, ...]


@dataclass(frozen=True)
class ModuleArray:
    """Modules on one face that share one array plane and one grid.

    `along_u_mm`, `along_v_mm` are a module's sides along u and v. `bound` is the greatest count that the proof allows.
    """

    id: str
    face: str
    orientation: Orientation
    along_u_mm: float
    along_v_mm: float
    gap_mm: float
    modules: tuple[Module, ...]
    lines: tuple[Line, ...]
    bound: int


@dataclass(frozen=True)
class Wish:
    """What levelling asks of another layout: leave out these modules (by face and rectangle), or split the array at v.

    `reason` is printed. `kind` 'drop' uses `rects_mm`, 'split' uses `v_mm`.
    """

    kind: Literal["drop", "split"]
    face: str
    rects_mm: tuple[tuple[float, float, float, float], ...]
    v_mm: float
    reason: str


@dataclass(frozen=True)
class Layout:
    """All module arrays; `usable` holds per face id the area that modules may lie on, u, v, mm (may be empty)."""

    arrays: tuple[ModuleArray, ...]
    usable: tuple[tuple[str, BaseGeometry], ...]
    findings: tuple[Finding, ...] = ()


# ---------------------------------------------------------------- supports


@dataclass(frozen=True)
class Hook:
    """One tile hook. `seat_height_mm` is the rail top it asks for, over the face plane, without packers: substrate + build-up.

    `rafter` is '' and `find_rafter` True where rafters are not known. `course`, `pan` count from the datum, 0 where no
    tile pattern is known. `probe_mm` is the greatest sideways miss of the rafter that this hook can take.
    `span_mm` is the longer of the two spans beside it. Loads are NaN where none were screened; `governs` is then ''.
    """

    id: str
    rail: str
    rafter: str
    course: int
    pan: int
    u_mm: float
    v_mm: float
    seat_height_mm: float
    span_mm: float
    find_rafter: bool
    probe_mm: float
    uplift_N: float
    down_N: float
    downslope_N: float
    use_percent: float
    governs: str
    note: str = ""


@dataclass(frozen=True)
class Foot:
    """One height-adjustable foot; `run` is the index of its run in its line. `load_sag_mm` ≥ 0 where the rail sinks."""

    id: str
    array: str
    face: str
    line: int
    run: int
    rail: str
    kind: str
    u_mm: float
    v_mm: float
    load_sag_mm: float
    note: str = ""


@dataclass(frozen=True)
class Rail:
    """One rail up the slope at `u_mm` from `v_start_mm` to `v_end_mm`.

    `influence` `(feet, hooks)`: rail top at each foot = influence @ hook seats, for the unloaded rail (rows sum to 1).
    `hook_ids` and `foot_ids` ordered by v. `cuts_mm` lengths of its pieces from the front; `splices_mm` their v.
    `moment_Nm` and `deflection_mm` are the greatest of all load cases, unloaded shape not counted; NaN where none was screened.
    """

    id: str
    array: str
    face: str
    rafter: str
    u_mm: float
    v_start_mm: float
    v_end_mm: float
    hook_ids: tuple[str, ...]
    foot_ids: tuple[str, ...]
    influence: Array
    cuts_mm: tuple[float, ...]
    splices_mm: tuple[float, ...]
    moment_Nm: float = float("nan")
    deflection_mm: float = float("nan")


@dataclass(frozen=True)
class StockCut:
    """One stock length and the pieces cut from it: `pieces` of (rail id, length)."""

    stock_mm: float
    pieces: tuple[tuple[str, float], ...]
    offcut_mm: float


@dataclass(frozen=True)
class SupportPlan:
    """Rails, hooks and feet of all arrays. `loads_screened` in words: which rule, or why none."""

    rails: tuple[Rail, ...]
    hooks: tuple[Hook, ...]
    feet: tuple[Foot, ...]
    cutting: tuple[StockCut, ...]
    loads_screened: str
    findings: tuple[Finding, ...] = ()


@dataclass(frozen=True)
class Part:
    """One line of what goes up the ladder. `mass_kg` of all of it; NaN where the data sheet gives no weight."""

    part: str
    detail: str
    quantity: float
    unit: str
    mass_kg: float
    note: str = ""


# ---------------------------------------------------------------- levelling


@dataclass(frozen=True)
class HookSetting:
    """What is set at a hook: stock spacers under it, its seat with them, and whether the survey supports it."""

    hook: str
    seat_height_mm: float
    packer_mm: float
    sigma_mm: float
    trust: Trust


@dataclass(frozen=True)
class FootSetting:
    """The number for one foot. lift_mm = lift_min + turns × thread pitch; packer_mm adds to it.

    `sigma_mm` is the standard deviation of its module seat, set as written, from the array's best-fit plane.
    `string_gap_mm` is what a rule reads from rail top up to the string of its run, NaN where no string is advised.
    """

    foot: str
    rail_height_mm: float
    lift_mm: float
    adjustment_mm: float
    turns: float
    packer_mm: float
    sigma_mm: float
    string_gap_mm: float
    reach: Reach
    trust: Trust
    note: str = ""


@dataclass(frozen=True)
class ArrayPlane:
    """The common plane of an array's module seats: w = height_mm + slope_u·u + slope_v·v over the face plane.

    `folds` of (v_mm, change of slope_v there), where rows had to be given planes of their own: the plane is then the front row's.
    `objective` names and values of the lexicographic optimum with `bounds` proved for the same; `binding` the ids of the
    feet that hold it. `probability` that all seats end within tolerance, NaN where not simulated.
    """

    array: str
    height_mm: float
    slope_u: float
    slope_v: float
    solved: bool
    objective: tuple[tuple[str, float], ...]
    bounds: tuple[tuple[str, float], ...]
    binding: tuple[str, ...]
    tilt_mm: float
    clearance_mm: float
    highest_mm: float
    worst_step_mm: float
    worst_kink_mm: float
    worst_twist_mm: float
    probability: float
    folds: tuple[tuple[float, float], ...] = ()


@dataclass(frozen=True)
class StringRun:
    """A string between the two outer feet of a run: `sag_mm` at mid-span; `advice` string, mid support or laser."""

    array: str
    line: int
    run: int
    feet: tuple[str, ...]
    length_mm: float
    sag_mm: float
    longest_mm: float
    advice: Literal["string", "mid support", "laser"]


@dataclass(frozen=True)
class Measure:
    """One point worth measuring, in the order of worth: `target` is a foot or hook id."""

    order: int
    target: str
    kind: Literal["gap", "height"]
    where: str
    worst_sigma_after_mm: float


@dataclass(frozen=True)
class Posterior:
    """The joint Gaussian of hook seats that recheck conditions on, per array. Read by levelling only.

    `hook_ids` of `mean_mm` `(h,)` and `covariance_mm2` `(h, h)`: seat heights with their packers, hook scatter and rafter
    tolerance included; `foot_ids` of `influence` `(f, h)`.
    """

    array: str
    hook_ids: tuple[str, ...]
    foot_ids: tuple[str, ...]
    mean_mm: Array
    covariance_mm2: Array
    influence: Array


@dataclass(frozen=True)
class LevelLimits:
    """What the array plane and the feet must keep to; the settings of [levelling], [hardware] and [module] by their names."""

    lift_min_mm: float
    lift_max_mm: float
    thread_pitch_mm: float
    packers_mm: tuple[float, ...]
    max_tilt_mm: float
    min_clearance_mm: float
    max_height_mm: float
    thickness_mm: float
    hold_parallel: bool
    one_plane_per_face: bool
    max_fold_mm: float
    front_height_mm: float
    """NaN where the front edge is free."""
    tolerance_mm: float
    setting_sd_mm: float
    max_step_mm: float
    max_kink_mm: float
    max_twist_mm: float
    string_mass_g_m: float
    string_pull_N: float
    string_pull_share: float
    string_error_mm: float
    reading_sd_mm: float
    mark_sd_mm: float
    hook_seat_sd_mm: float
    draws: int
    seed: int


@dataclass(frozen=True)
class RecheckBasis(Posterior):
    """All that one array's levelling rests on: level_feet solves it, recheck conditions it and solves it again.

    `h` hooks, `f` feet, `m` modules, `g` clearance points; u, v, mm on the face, heights over the face plane, mm. Seats,
    covariance and crowns are those of the survey: `taken` readings are conditioned on anew each time, in their order.
    `up` `(3,)` vertical parts of the face's u, v, w axes. `hook_slope` `(h, 2)` slope of the mean substrate along u and v,
    `hook_slope_sd` `(h,)` its standard deviation. `modules_mm` `(m, 4)` rectangles with `module_rows`, `module_columns`.
    `clear_uv_mm` `(g, 2)` points under the modules, `crown_mm` `(g,)` highest tile top there, `crown_covariance_mm2`
    `(g, h)` of it with the hook seats. `hooks_up` True once hook packers are chosen and stay; `hook_packer_mm` `(h,)` those
    in `mean_mm`. `lift_mm`, `packer_mm` `(f,)` and `plane` `(3,)` (height, slope_u, slope_v) as last written, NaN before;
    `fold_v_mm` `(r,)` where rows meet that may fold, `folds` `(r,)` the change of slope_v there, 0 for one plane;
    `held` `(f,)` feet that are set and stay. `goals` names and `goal_values` `(k, 2)` values with proved bounds, `binding`
    foot ids, of that plane. `rail_covariance_mm2` `(f, f)` of the rail tops at the feet with the readings taken in. `taken` the
    readings so far, one text each (levelling/taken.py); `revision` counts rechecks.
    """

    face: str
    revision: int
    up: Array
    hook_rails: tuple[str, ...]
    hook_u_mm: Array
    hook_v_mm: Array
    hook_slope: Array
    hook_slope_sd: Array
    hook_packer_mm: Array
    hooks_up: bool
    foot_rails: tuple[str, ...]
    foot_lines: NDArray[np.int64]
    foot_runs: NDArray[np.int64]
    foot_u_mm: Array
    foot_v_mm: Array
    held: NDArray[np.bool_]
    lift_mm: Array
    packer_mm: Array
    plane: Array
    fold_v_mm: Array
    folds: Array
    goals: tuple[str, ...]
    goal_values: Array
    binding: tuple[str, ...]
    rail_covariance_mm2: Array
    module_ids: tuple[str, ...]
    module_rows: NDArray[np.int64]
    module_columns: NDArray[np.int64]
    modules_mm: Array
    clear_uv_mm: Array
    crown_mm: Array
    crown_covariance_mm2: Array
    taken: tuple[str, ...]
    limits: LevelLimits

    @property
    def told(self) -> bool:
        """Whether a gap or a height was taken in: feet set and parts moved tell nothing of how the survey errs."""
        return any(text.startswith(("gap|", "height|")) for text in self.taken)

    def as_arrays(self) -> dict[str, NDArray[Any]]:
        """Every field as one array, names as here and `limits.…`, for an .npz without pickles."""
        arrays = {f.name: np.asarray(getattr(self, f.name)) for f in fields(self) if f.name != "limits"}
        return arrays | {f"limits.{f.name}": np.asarray(getattr(self.limits, f.name)) for f in fields(LevelLimits)}

    @classmethod
    def of_arrays(cls, arrays: Mapping[str, NDArray[Any]]) -> RecheckBasis:
        """The basis back from `as_arrays`; KeyError names a field that is missing."""
        own = {f.name: _field_of(f.type, arrays[f.name]) for f in fields(cls) if f.name != "limits"}
        limits = {f.name: _field_of(f.type, arrays[f"limits.{f.name}"]) for f in fields(LevelLimits)}
        return cls(**own, limits=LevelLimits(**limits))


def _field_of(kind: Any, array: NDArray[Any]) -> Any:
    if str(kind).startswith("tuple"):
        return tuple(array.tolist())
    return array if array.ndim or "Array" in str(kind) else array.item()


@dataclass(frozen=True)
class FieldReading:
    """One line of a readings file. `id` a foot, hook or rail; `value_mm` NaN where the kind needs none.

    kind: gap (string to rail top), height (vertical, upwards, on one level datum per file), set (foot is set and stays, at
    lift `value_mm` where given), moved (hook or rail now at `u_mm`, `v_mm`). `u_mm`, `v_mm` NaN where not given.
    """

    id: str
    kind: Literal["gap", "height", "set", "moved"]
    value_mm: float = float("nan")
    u_mm: float = float("nan")
    v_mm: float = float("nan")
    note: str = ""


@dataclass(frozen=True)
class FieldReadings:
    """What was measured on the roof in one go; `sha256` of the file it came in."""

    source: str
    readings: tuple[FieldReading, ...]
    sha256: str = ""


@dataclass(frozen=True)
class Levelling:
    """All settings. `wishes` ask roof.py for another layout; empty when this one stands."""

    feet: tuple[FootSetting, ...]
    hooks: tuple[HookSetting, ...]
    planes: tuple[ArrayPlane, ...]
    strings: tuple[StringRun, ...]
    measures: tuple[Measure, ...]
    posteriors: tuple[RecheckBasis, ...]
    wishes: tuple[Wish, ...] = ()
    findings: tuple[Finding, ...] = ()


# ---------------------------------------------------------------- the whole


@dataclass(frozen=True)
class StageCost:
    """Seconds and peak resident memory (MB) at the end of one stage."""

    stage: str
    seconds: float
    peak_mb: float


@dataclass(frozen=True)
class RoofResult:
    """All that is known of one lead. `lead` is a config.Lead (typed loosely: model stands below config).

    `revision` is that of the folder it was read back from, '' for a result just computed: then it follows from what went in.
    """

    lead: Any
    survey: Survey
    quality: ScanQuality
    roof: Roof
    surfaces: Surfaces
    layout: Layout
    plan: SupportPlan
    levels: Levelling
    parts: tuple[Part, ...]
    costs: tuple[StageCost, ...] = field(default=(), compare=False)
    revision: str = ""

    @property
    def findings(self) -> tuple[Finding, ...]:
        """Every finding of every stage, in the order of the job, doubles left out."""
        groups = (
            self.lead.findings,
            self.survey.findings,
            self.quality.findings,
            self.roof.findings,
            self.surfaces.findings,
            *(s.findings for s in self.surfaces.surfaces),
            self.layout.findings,
            self.plan.findings,
            self.levels.findings,
        )
        return tuple(dict.fromkeys(f for group in groups for f in group))

    def next_revision(self, levels: Levelling, plan: SupportPlan) -> RoofResult:
        """A result read back, one revision on with other `levels` over `plan`; itself where the levels are its own."""
        if levels is self.levels:
            return self
        base, _, count = self.revision.partition("-r")
        return replace(self, levels=levels, plan=plan, revision=f"{base}-r{int(count or 0) + 1}")

    @property
    def needs_a_person(self) -> bool:
        """True where somebody has to look before this goes on a roof (exit code 1)."""
        return any(f.severity in ("person", "stop") for f in self.findings)
