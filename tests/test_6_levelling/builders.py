"""Arrays on an invented roof, built by hand: a substrate with a known covariance, rails, hooks, feet and modules."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from shapely.geometry import box

from rowplane.config import HardwareConfig, LevellingConfig, ModuleConfig
from rowplane.frames import face_frame
from rowplane.levelling.observe import spline_rows
from rowplane.model import (
    Array,
    Face,
    Foot,
    Hook,
    Layout,
    Line,
    Module,
    ModuleArray,
    Rail,
    SupportPlan,
    Surface,
    Surfaces,
)

Height = Callable[[Array, Array], Array]


@dataclass(frozen=True)
class Field:
    """A substrate height field: mean by formula, squared-exponential covariance of `sd` and `length`, plus a `nugget`."""

    mean: Height
    sd: float = 0.0
    length: float = 3000.0

    def mean_mm(self, uv_mm: Array) -> Array:
        return np.asarray(self.mean(uv_mm[:, 0], uv_mm[:, 1]), dtype=float) + np.zeros(len(uv_mm))

    def covariance_mm2(self, uv_mm: Array, other_uv_mm: Array | None = None) -> Array:
        other = uv_mm if other_uv_mm is None else other_uv_mm
        apart = ((uv_mm[:, None, :] - other[None, :, :]) ** 2).sum(axis=2)
        return self.sd**2 * np.exp(-apart / (2 * self.length**2))


@dataclass(frozen=True)
class Case:
    """Everything level_feet is called with."""

    layout: Layout
    plan: SupportPlan
    surfaces: Surfaces
    levelling: LevellingConfig
    hardware: HardwareConfig
    module: ModuleConfig

    def args(self) -> tuple[Layout, SupportPlan, Surfaces, LevellingConfig, HardwareConfig, ModuleConfig]:
        return self.layout, self.plan, self.surfaces, self.levelling, self.hardware, self.module


def sag(depth: float = 20.0, u_mm: float = 6000.0, v_mm: float = 4000.0) -> Height:
    """A bowl that hangs `depth` in the middle of a u × v field and is level around it."""
    return lambda u, v: -depth * np.sin(np.pi * np.clip(u / u_mm, 0, 1)) * np.sin(np.pi * np.clip(v / v_mm, 0, 1))


def surface_of(field: Field, crown: float = 60.0, pitch_deg: float = 30.0, face: str = "A") -> Surface:
    """A face at `pitch_deg` that looks south, with tile crowns `crown` over the substrate."""
    slope = np.radians(pitch_deg)
    frame = face_frame(np.zeros(3), np.array([0.0, -np.sin(slope), np.cos(slope)]))
    outline = box(-1000, -1000, 40_000, 20_000)
    return Surface(
        face=Face(face, frame, outline, (), (), 1000, 6.0, np.eye(3)), pattern=None, height=field, noise_mm=6.0,
        deviation_rms_mm=5.0, deviation_max_mm=20.0, relief_crown_mm=crown, raster_uv_mm=np.zeros(2), raster_step_mm=100.0,
        own_mm=np.zeros((2, 2)), sd_mm=np.ones((2, 2)), flatness=None, patches=(), datum_note="",
    )  # fmt: skip


def case(
    field: Field,
    rows: int = 2,
    columns: int = 5,
    module: ModuleConfig | None = None,
    levelling: LevellingConfig | None = None,
    hardware: HardwareConfig | None = None,
    crown: float = 60.0,
    spacing: float = 1200.0,
    pitch_deg: float = 30.0,
    scatter: Array | None = None,
    find_rafter: bool = False,
    gap: float = 12.0,
) -> Case:
    """Portrait modules in a grid from (300, 300), rails `spacing` apart, a hook about every 1.1 m, a foot on every line."""
    module, hardware, levelling = module or ModuleConfig(), hardware or HardwareConfig(), levelling or LevellingConfig()
    along_u, along_v = module.width_mm, module.height_mm
    left, front = 300.0, 300.0
    width, depth = columns * (along_u + gap) - gap, rows * (along_v + gap) - gap
    modules = tuple(
        Module(f"A1-r{r + 1}c{c + 1}", r + 1, c + 1, _rect(left + c * (along_u + gap), front + r * (along_v + gap), module))
        for r in range(rows)
        for c in range(columns)
    )
    line_v = [front] + [front + r * (along_v + gap) - gap / 2 for r in range(1, rows)] + [front + depth]
    seams = tuple(left + c * (along_u + gap) - gap / 2 for c in range(1, columns))
    lines = tuple(Line(k, v, ((left, left + width),), seams) for k, v in enumerate(line_v))
    array = ModuleArray("A1", "A", "portrait", along_u, along_v, gap, modules, lines, len(modules))
    count = max(2, int(np.ceil((width - 600) / spacing)) + 1)
    rail_u = np.linspace(left + 300, left + width - 300, count)
    hook_v = np.linspace(front + 100, front + depth - 100, max(2, int(np.ceil((depth - 200) / 1100)) + 1))
    rails, hooks, feet = [], [], []
    for k, u in enumerate(rail_u):
        rail = f"A1-R{k + 1}"
        uv = np.column_stack([np.full(len(hook_v), u), hook_v])
        seat = field.mean_mm(uv) + hardware.build_up_mm
        if scatter is not None:
            seat = seat + scatter[k * len(hook_v) : (k + 1) * len(hook_v)]
        for j, v in enumerate(hook_v):
            hooks.append(
                Hook(
                    f"{rail}-H{j + 1}", rail, "" if find_rafter else f"r{k}", j, k, float(u), float(v), float(seat[j]), 1100.0,
                    find_rafter, 20.0, np.nan, np.nan, np.nan, np.nan, "",
                )
            )  # fmt: skip
        ids = tuple(f"A1-{line}-{k + 1}" for line in range(len(line_v)))
        for line, v in enumerate(line_v):
            kind = "front" if line == 0 else "top" if line == len(line_v) - 1 else "seam"
            feet.append(Foot(ids[line], "A1", "A", line, 0, rail, kind, float(u), float(v), 0.4))
        influence = spline_rows(hook_v, np.array(line_v))
        rails.append(
            Rail(
                rail, "A1", "A", "" if find_rafter else f"r{k}", float(u), front - 25, front + depth + 40,
                tuple(f"{rail}-H{j + 1}" for j in range(len(hook_v))), ids, influence, (depth,), (),
            )
        )  # fmt: skip
    plan = SupportPlan(tuple(rails), tuple(hooks), tuple(feet), (), "not screened")
    surfaces = Surfaces((surface_of(field, crown, pitch_deg),))
    return Case(Layout((array,), ()), plan, surfaces, levelling, hardware, module)


def _rect(u: float, v: float, module: ModuleConfig) -> tuple[float, float, float, float]:
    return (float(u), float(v), float(u + module.width_mm), float(v + module.height_mm))
