"""The roof as solids: faces with their deviation, modules, rails, hooks and feet, in the survey frame, mm."""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from rowplane.deliverables.keyplan import corners
from rowplane.deliverables.places import Places, rail_height_at
from rowplane.frames import face_to_survey
from rowplane.model import Array, FaceFrame, ModuleArray, RoofResult, Surface

MOST_ACROSS = 110
"""Vertices of a face's grid along its longer side: enough for a substrate that is smooth over decimetres."""

PUOR = np.array(
    [
        (45, 0, 75),
        (84, 39, 136),
        (128, 115, 172),
        (178, 171, 210),
        (216, 218, 235),
        (247, 247, 247),
        (254, 224, 182),
        (253, 184, 99),
        (224, 130, 20),
        (179, 88, 6),
        (127, 59, 8),
    ],
    dtype=float,
)
"""ColorBrewer PuOr in eleven classes, purple low, orange high."""

COLOURS = {
    "module": (38, 62, 99),
    "rail": (120, 120, 120),
    "hook": (30, 30, 30),
    "foot": (11, 107, 58),
    "measure": (177, 0, 58),
}


@dataclass(frozen=True)
class Solid:
    """Triangles `(t, 3)` over `points_mm` `(n, 3)`; `colours` `(n, 3)` of 0…255.

    Of a face `lift_mm` `(n,)` is the deviation, which is not in the points, and `normal` its direction, so that a viewer may
    exaggerate it; zeros elsewhere.
    """

    name: str
    kind: str
    points_mm: Array
    triangles: NDArray[np.int32]
    colours: NDArray[np.uint8]
    lift_mm: Array
    normal: Array


def build_solids(result: RoofResult) -> tuple[Solid, ...]:
    """All solids: one per face, and per array one each of modules, rails, hooks and feet. Nothing without a height."""
    places = Places(result)
    shown = [s for s in result.surfaces.surfaces if np.isfinite(s.own_mm).any()]
    limit = max([5.0, *(float(np.nanquantile(np.abs(s.own_mm), 0.995)) for s in shown)])
    solids = [_face(surface, limit) for surface in shown]
    for array in result.layout.arrays:
        if array.face in places.frames:
            solids += [_modules(result, places, array), _rails(result, places, array), _hooks(result, places, array)]
            solids.append(_feet(result, places, array))
    return tuple(s for s in solids if len(s.triangles))


def deviation_colours(values_mm: Array, limit_mm: float) -> NDArray[np.uint8]:
    """Colours `(n, 3)` of deviations, purple at −limit, white at 0, orange at +limit; grey where not known."""
    at = np.clip((np.nan_to_num(values_mm) / limit_mm + 1) / 2, 0, 1) * (len(PUOR) - 1)
    mixed = np.stack([np.interp(at, np.arange(len(PUOR)), PUOR[:, k]) for k in range(3)], axis=-1)
    mixed[~np.isfinite(values_mm)] = 160
    return np.asarray(np.rint(mixed), dtype=np.uint8)


def _face(surface: Surface, limit: float) -> Solid:
    rows, columns = surface.own_mm.shape
    skip = max(1, math.ceil(max(rows, columns) / MOST_ACROSS))
    own = surface.own_mm[::skip, ::skip]
    u = surface.raster_uv_mm[0] + surface.raster_step_mm * skip * np.arange(own.shape[1])
    v = surface.raster_uv_mm[1] + surface.raster_step_mm * skip * np.arange(own.shape[0])
    uv = np.stack(np.meshgrid(u, v), axis=-1).reshape(-1, 2)
    points = face_to_survey(surface.face.frame, np.column_stack([uv, np.zeros(len(uv))]))
    index = np.arange(own.size).reshape(own.shape)
    a, b, c, d = index[:-1, :-1], index[:-1, 1:], index[1:, 1:], index[1:, :-1]
    known = np.isfinite(own)
    whole = (known[:-1, :-1] & known[:-1, 1:] & known[1:, 1:] & known[1:, :-1]).ravel()
    cells = np.stack([a.ravel(), b.ravel(), c.ravel(), d.ravel()], axis=-1)[whole]
    triangles = cells[:, [0, 1, 2, 0, 2, 3]].reshape(-1, 3)
    used, renumbered = np.unique(triangles, return_inverse=True)
    lift = own.ravel()[used]
    return Solid(
        f"face {surface.face.id}",
        "face",
        points[used],
        renumbered.reshape(-1, 3).astype(np.int32),
        deviation_colours(lift, limit),
        lift,
        surface.face.frame.axes[2].copy(),
    )


_BOX = np.array(
    [
        (0, 2, 1),
        (0, 3, 2),
        (4, 5, 6),
        (4, 6, 7),
        (0, 1, 5),
        (0, 5, 4),
        (1, 2, 6),
        (1, 6, 5),
        (2, 3, 7),
        (2, 7, 6),
        (3, 0, 4),
        (3, 4, 7),
    ],
    dtype=np.int32,
)


def _boxes(name: str, kind: str, frame: FaceFrame, boxes: list[tuple[Array, str]]) -> Solid:
    """One solid of boxes, each eight corners `(8, 3)` in u, v, w: four below counter-clockwise, four above."""
    good = [(corners_uvw, colour) for corners_uvw, colour in boxes if np.isfinite(corners_uvw).all()]
    if not good:
        empty = np.zeros((0, 3))
        return Solid(name, kind, empty, np.zeros((0, 3), np.int32), np.zeros((0, 3), np.uint8), np.zeros(0), np.zeros(3))
    points = face_to_survey(frame, np.vstack([c for c, _ in good]))
    triangles = np.vstack([_BOX + 8 * k for k in range(len(good))])
    colours = np.repeat(np.array([COLOURS[c] for _, c in good], dtype=np.uint8), 8, axis=0)
    return Solid(name, kind, points, triangles, colours, np.zeros(len(points)), np.zeros(3))


def _block(u: tuple[float, float], v: tuple[float, float], below: tuple[float, float], above: tuple[float, float]) -> Array:
    """A box whose underside and top may rise from v start to v end."""
    plan = [(u[0], v[0], 0), (u[1], v[0], 0), (u[1], v[1], 1), (u[0], v[1], 1)]
    return np.array([(a, b, below[k]) for a, b, k in plan] + [(a, b, above[k]) for a, b, k in plan], dtype=float)


def _modules(result: RoofResult, places: Places, array: ModuleArray) -> Solid:
    thick = result.lead.config.module.thickness_mm
    boxes = []
    for module in array.modules:
        low = np.array([(u, v, places.plane_height(array.id, u, v)) for u, v in corners(module.rect_mm)])
        boxes.append((np.vstack([low, low + np.array([0.0, 0.0, thick])]), "module"))
    return _boxes(f"modules {array.id}", "module", places.frames[array.face], boxes)


def _rails(result: RoofResult, places: Places, array: ModuleArray) -> Solid:
    boxes = []
    for rail in result.plan.rails:
        if rail.array != array.id:
            continue
        inner = [places.hooks[h].v_mm for h in rail.hook_ids if rail.v_start_mm < places.hooks[h].v_mm < rail.v_end_mm]
        stations = sorted({rail.v_start_mm, *inner, rail.v_end_mm})
        tops = [rail_height_at(places, rail, v) for v in stations]
        across = (rail.u_mm - 20, rail.u_mm + 20)
        for (v0, v1), (t0, t1) in zip(pairwise(stations), pairwise(tops), strict=True):
            boxes.append((_block(across, (v0, v1), (t0 - 40, t1 - 40), (t0, t1)), "rail"))
    return _boxes(f"rails {array.id}", "rail", places.frames[array.face], boxes)


def _hooks(result: RoofResult, places: Places, array: ModuleArray) -> Solid:
    mine = {r.id for r in result.plan.rails if r.array == array.id}
    boxes = []
    for hook in result.plan.hooks:
        if hook.rail in mine:
            top = places.seat_mm(hook.id) - 40
            boxes.append(
                (_block((hook.u_mm - 20, hook.u_mm + 20), (hook.v_mm - 15, hook.v_mm + 15), (0, 0), (top, top)), "hook")
            )
    return _boxes(f"hooks {array.id}", "hook", places.frames[array.face], boxes)


def _feet(result: RoofResult, places: Places, array: ModuleArray) -> Solid:
    boxes = []
    for foot, setting in places.set_feet():
        if foot.array == array.id:
            low, high = setting.rail_height_mm, setting.rail_height_mm + setting.lift_mm + setting.packer_mm
            block = _block((foot.u_mm - 22, foot.u_mm + 22), (foot.v_mm - 22, foot.v_mm + 22), (low, low), (high, high))
            boxes.append((block, "measure" if setting.trust == "measure" else "foot"))
    return _boxes(f"feet {array.id}", "foot", places.frames[array.face], boxes)
