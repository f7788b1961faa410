"""A hand-made result of an invented lead: known numbers in, so that every sheet can be checked against them."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from datetime import date
from pathlib import Path

import numpy as np
from shapely.geometry import Polygon, box

from rowplane.config import Config, Lead
from rowplane.findings import finding
from rowplane.frames import face_frame
from rowplane.model import (
    Array,
    ArrayPlane,
    Building,
    Edge,
    Face,
    Foot,
    FootSetting,
    Hook,
    HookSetting,
    Layout,
    Levelling,
    Line,
    Measure,
    Module,
    ModuleArray,
    Obstacle,
    Part,
    Patch,
    Posterior,
    Rail,
    Roof,
    RoofResult,
    ScanQuality,
    SourceFile,
    StageCost,
    StringRun,
    SupportPlan,
    Surface,
    Surfaces,
    Survey,
    SurveyFrame,
    TilePattern,
)

BUILD_UP, GAP, ALONG_U, ALONG_V = 110.0, 12.0, 1722.0, 1134.0
GAUGE, COVER = 345.0, 300.0


@dataclass(frozen=True)
class Waves:
    """A substrate whose height is known in closed form, mm."""

    amplitude: float = 9.0

    def mean_mm(self, uv_mm: Array) -> Array:
        u, v = np.asarray(uv_mm, dtype=float).T / 1000
        return np.asarray(self.amplitude * np.sin(0.9 * u) * np.cos(0.7 * v))

    def covariance_mm2(self, uv_mm: Array, other_uv_mm: Array | None = None) -> Array:
        a = np.asarray(uv_mm, dtype=float)
        b = a if other_uv_mm is None else np.asarray(other_uv_mm, dtype=float)
        return np.asarray(1.44 * np.exp(-np.linalg.norm(a[:, None] - b[None], axis=2) / 800))


def make_result(
    name: str = "invented lead 7",
    columns: tuple[int, ...] = (4, 3),
    rows: tuple[int, ...] = (3, 3),
    unit: str = "m",
    epsg: int | None = 25832,
    config: Config | None = None,
) -> RoofResult:
    """A result with one array of `rows` × `columns` landscape modules on each of several faces of a gable house."""
    lead = Lead(
        name, (Path("invented.laz"),), date(2031, 5, 4), Path("."), config or Config(), {"hardware.lift_min_mm": "lead.toml"}
    )
    faces = tuple(_face("ABCDEFGH"[k], k, c, r) for k, (c, r) in enumerate(zip(columns, rows, strict=True)))
    spare = replace(_face("Z", 2, 1, 1), used=False, note="smaller than any array")
    surfaces = tuple(_surface(face) for face in faces)
    arrays = tuple(_array(face.id, c, r) for face, c, r in zip(faces, columns, rows, strict=True))
    rails, hooks, feet, settings, hook_settings, posteriors, strings, planes = [], [], [], [], [], [], [], []
    for array, surface in zip(arrays, surfaces, strict=True):
        parts = _supports(array, surface)
        for kept, made in zip((rails, hooks, feet, settings, hook_settings, posteriors, strings, planes), parts, strict=True):
            kept.extend(made)
    plan = SupportPlan(tuple(rails), tuple(hooks), tuple(feet), (), "screened against the pressures given")
    levels = Levelling(
        tuple(settings),
        tuple(hook_settings),
        tuple(planes),
        tuple(strings),
        (Measure(1, feet[2].id, "gap", "line 0, third rail from the left", 2.4),) if feet else (),
        tuple(posteriors),
        findings=(finding("feet-to-measure", f"face {faces[0].id}", "One foot in nine needs a reading.", 5.2, 5.0, "mm"),),
    )
    return RoofResult(
        lead,
        _survey(unit, epsg),
        _quality(),
        Roof((*faces, spare), np.zeros(0, np.int16), (Building(box(0, 0, 1, 1), 90.0, True),)),
        Surfaces(surfaces),
        Layout(arrays, tuple((f.id, f.outline.buffer(-250)) for f in faces)),
        plan,
        levels,
        _parts(rails, hooks, feet, arrays),
        (StageCost("read_survey", 0.4, 210.0),),
    )


def empty_result(name: str = "empty lead") -> RoofResult:
    """A scan without any roof: every stage handed on an empty value and the reason."""
    lead = Lead(name, (Path("nothing.ply"),), None, Path("."), Config())
    stop = finding("no-roof", "scan", "No pitched face of 2 m² or more was found in 1200 points.", 0, 2, "m²")
    nan = math.nan
    quality = ScanQuality("not fit", ("no roof was found",), 1200, 0, nan, nan, nan, nan, nan, nan, nan)
    return RoofResult(
        lead,
        _survey("m", None),
        quality,
        Roof((), np.zeros(0, np.int16), (), (stop,)),
        Surfaces(()),
        Layout((), ()),
        SupportPlan((), (), (), (), "nothing to screen"),
        Levelling((), (), (), (), (), ()),
        (),
    )


def _survey(unit: str, epsg: int | None) -> Survey:
    mm = {"m": 1000.0, "ft": 304.8, "us-ft": 1_200_000 / 3937}[unit]
    origin = np.array([500_300.0, 5_420_100.0, 412.0])
    frame = SurveyFrame(origin, np.eye(3), unit, mm, mm, 0.9998 if epsg else 1.0, epsg, None, "the file's CRS")
    source = SourceFile("invented.laz", 123456, "ab" * 32, 1200, "las")
    return Survey("invented", "cloud", np.zeros((0, 3)), None, frame, (source,), (("not finite", 3), ("ground", 400)))


def _quality() -> ScanQuality:
    return ScanQuality("measure some feet", ("smooth error of 4 mm",), 120_000, 60_000, 640.0, 2.1, 5.6, 1.0, 0.03, 0.0, 4.0)


def _face(face_id: str, k: int, columns: int, rows: int) -> Face:
    pitch, azimuth = math.radians(28), math.radians(170 + 180 * (k % 2))
    normal = np.array([math.sin(pitch) * math.sin(azimuth), math.sin(pitch) * math.cos(azimuth), math.cos(pitch)])
    width, depth = columns * (ALONG_U + GAP) + 1400, rows * (ALONG_V + GAP) + 1500
    # Datum of each face at the lower left corner of its own eave; B faces away from A over one ridge, further pairs stand beside.
    run = (3 * (ALONG_V + GAP) + 1500) * math.cos(pitch)
    corner = np.array([0.0, 0.0]) if k % 2 == 0 else np.array([width, 2 * run])
    lean = math.radians(10)
    turned = np.array([[math.cos(lean), -math.sin(lean)], [math.sin(lean), math.cos(lean)]]) @ corner
    frame = face_frame(np.array([turned[0] + 14_000.0 * (k // 2), turned[1], 5200.0]), normal)
    outline = Polygon([(0, -40), (width, -40), (width, depth), (0, depth)])
    edges = (
        Edge("eave", (0, -40), (width, -40)),
        Edge("verge", (width, -40), (width, depth)),
        Edge("ridge", (width, depth), (0, depth), "B" if k == 0 else "A"),
        Edge("verge", (0, depth), (0, -40)),
    )
    chimney = Obstacle(box(width - 620, depth - 700, width - 120, depth - 250), 800.0, "obstacle")
    return Face(face_id, frame, outline, edges, (chimney,) if width > 4000 else (), 40_000, 14.2, np.eye(3) * 1e-8)


def _surface(face: Face) -> Surface:
    field = Waves()
    left, low, right, top = face.outline.bounds
    us, vs = np.arange(left + 50, right, 100.0), np.arange(low + 50, top, 100.0)
    own = field.mean_mm(np.stack(np.meshgrid(us, vs), axis=-1).reshape(-1, 2)).reshape(len(vs), len(us))
    own[:3, :4] = np.nan
    relief = np.outer(np.linspace(0, 12, 8), np.ones(10)) + 20 * (1 - np.cos(np.linspace(0, 2 * np.pi, 10)))
    pattern = TilePattern(GAUGE, COVER, 0.0, 150.0, 0.0, 0.0, 0.0, 40.0, 12.0, "high", relief, 0.9, 0.1, 0.1, 140.0)
    patch = Patch(box(900, 600, 1200, 950), "displaced", 14.0)
    return Surface(
        face,
        pattern,
        field,
        5.6,
        float(np.sqrt(np.nanmean(own**2))),
        float(np.nanmax(abs(own))),
        52.0,
        np.array([us[0], vs[0]]),
        100.0,
        own,
        np.full_like(own, 1.2),
        None,
        (patch,),
        "left verge's tile edge, nose of course 1",
    )


def _array(face: str, columns: int, rows: int) -> ModuleArray:
    modules = tuple(Module(f"{face}1-r{r + 1}c{c + 1}", r + 1, c + 1, _rect(r, c)) for r in range(rows) for c in range(columns))
    run = (modules[0].rect_mm[0], modules[columns - 1].rect_mm[2])
    seams = tuple(modules[c].rect_mm[2] + GAP / 2 for c in range(columns - 1))
    line_v = [modules[0].rect_mm[1], *(modules[r * columns].rect_mm[3] + (GAP / 2 if r < rows - 1 else 0) for r in range(rows))]
    lines = tuple(Line(k, v, (run,), seams) for k, v in enumerate(line_v))
    return ModuleArray(f"{face}1", face, "landscape", ALONG_U, ALONG_V, GAP, modules, lines, columns * rows)


def _rect(row: int, column: int) -> tuple[float, float, float, float]:
    u, v = 700 + column * (ALONG_U + GAP), 600 + row * (ALONG_V + GAP)
    return u, v, u + ALONG_U, v + ALONG_V


def _supports(array: ModuleArray, surface: Surface) -> tuple[list, ...]:  # type: ignore[type-arg]
    hw, field = Config().hardware, surface.height
    start, end = array.lines[0].runs[0]
    us = np.round(np.arange(start + 350, end - 200, 1200.0) / COVER) * COVER + 150
    v_lines = np.array([line.v_mm for line in array.lines])
    v_hooks = np.arange(math.ceil((v_lines[0] - 100) / GAUGE), math.floor((v_lines[-1] + 100) / GAUGE) + 1, 3) * GAUGE
    height = BUILD_UP + 46.0
    rails, hooks, feet, settings, hook_settings = [], [], [], [], []
    mean, names = [], []
    for k, u in enumerate(us):
        rail = f"{array.id}-R{k + 1}"
        seats = field.mean_mm(np.column_stack([np.full(len(v_hooks), u), v_hooks])) + BUILD_UP
        influence = np.array([[np.interp(v, v_hooks, e) for e in np.eye(len(v_hooks))] for v in v_lines])
        hook_ids = tuple(f"{rail}-H{j + 1}" for j in range(len(v_hooks)))
        foot_ids = tuple(f"{array.id}-{line.index}-{k + 1}" for line in array.lines)
        rails.append(
            Rail(
                rail,
                array.id,
                array.face,
                f"{k + 1}",
                float(u),
                float(v_lines[0] - 25),
                float(v_lines[-1] + 40),
                hook_ids,
                foot_ids,
                influence,
                (float(v_lines[-1] - v_lines[0] + 65),),
                (float(v_hooks[0] + 500),),
            )
        )
        for j, v in enumerate(v_hooks):
            hooks.append(
                Hook(
                    hook_ids[j],
                    rail,
                    f"{k + 1}" if k else "",
                    round(v / GAUGE) + 1,
                    round((u - 150) / COVER) + 1,
                    float(u),
                    float(v),
                    float(seats[j]),
                    3 * GAUGE,
                    k == 0,
                    28.0,
                    412.4,
                    820.6,
                    310.2,
                    61.0,
                    "screw withdrawal",
                )
            )
            hook_settings.append(HookSetting(hook_ids[j], float(seats[j]), 0.0, 1.6, "ok"))
        for line, foot, rail_height in zip(array.lines, foot_ids, influence @ seats, strict=True):
            seam = any(abs(u - s) < 60 for s in line.seams_mm)
            last = len(array.lines) - 1
            kind = ("front" if line.index == 0 else "top" if line.index == last else "seam") + ("+joiner" if seam else "")
            feet.append(Foot(foot, array.id, array.face, line.index, 0, rail, kind, float(u), line.v_mm, 0.8))
            turns = round((height - rail_height - hw.lift_min_mm) / hw.thread_pitch_mm * 4) / 4
            lift = hw.lift_min_mm + turns * hw.thread_pitch_mm
            odd = k == 2 and line.index == 1
            settings.append(
                FootSetting(
                    foot,
                    float(rail_height),
                    lift,
                    lift - hw.mid_lift_mm,
                    turns,
                    5.0 if odd else 0.0,
                    5.2 if odd else 1.9,
                    lift - 1.3,
                    "packer" if odd else "ok",
                    "measure" if odd else "ok",
                )
            )
        mean.extend(seats)
        names.extend(hook_ids)
    foot_ids = tuple(f.id for f in feet)
    spread = np.eye(len(names)) * 2.5 + 1.5
    whole = np.zeros((len(feet), len(names)))
    for k, rail in enumerate(rails):
        for row, foot in enumerate(rail.foot_ids):
            whole[foot_ids.index(foot), k * len(v_hooks) : (k + 1) * len(v_hooks)] = rail.influence[row]
    posterior = Posterior(array.id, tuple(names), foot_ids, np.array(mean), spread, whole)
    strings = [
        StringRun(
            array.id,
            line.index,
            0,
            tuple(f.id for f in feet if f.line == line.index),
            float(us[-1] - us[0]),
            1.3,
            11000.0,
            "string",
        )
        for line in array.lines
    ]
    plane = ArrayPlane(
        array.id,
        height,
        0.0,
        0.0,
        True,
        (("packers", 1.0), ("greatest adjustment", 9.5)),
        (("packers", 1.0), ("greatest adjustment", 9.5)),
        foot_ids[:3],
        0.0,
        24.0,
        186.0,
        0.5,
        0.4,
        0.3,
        0.93,
    )
    return rails, hooks, feet, settings, hook_settings, [posterior], strings, [plane]


def _parts(rails: list[Rail], hooks: list[Hook], feet: list[Foot], arrays: tuple[ModuleArray, ...]) -> tuple[Part, ...]:
    modules = sum(len(a.modules) for a in arrays)
    return (
        Part("module", "invented 1722 × 1134", modules, "piece", 21.5 * modules),
        Part("hook", "invented hook", len(hooks), "piece", 0.9 * len(hooks)),
        Part("foot", "invented foot", len(feet), "piece", 0.25 * len(feet)),
        Part("rail", "4200 mm", len(rails), "piece", 4.6 * len(rails)),
        Part("flashing", "one per hook", len(hooks), "piece", math.nan, "no weight given"),
    )
