"""Why a face stays empty, in numbers, and the smallest change that would cure it."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import get_args

import shapely
from shapely.geometry.base import BaseGeometry

from rowplane.config import HardwareConfig, PlacementConfig
from rowplane.model import Edge, EdgeKind, Face
from rowplane.placement.erosion import corner_area
from rowplane.placement.filling import fill
from rowplane.placement.usable import bare_area, usable_area
from rowplane.placement.ways import Lie

STEP_MM = 10.0
"""Cures are given in whole steps of this."""


def why_empty(
    face: Face,
    usable: BaseGeometry,
    ways: tuple[Lie, ...],
    kept_mm: Mapping[Edge, float],
    placement: PlacementConfig,
    hardware: HardwareConfig,
) -> str:
    """Why no array stands on `usable`, and the smallest cure, as half a sentence. `kept_mm` are its edge setbacks."""
    if not ways:
        return "no way to lay modules is allowed"
    one = min(w.along_u_mm * w.along_v_mm for w in ways)
    if face.outline.area < one:
        return f"its {face.area_m2:.2f} m² are less than one module of {one / 1e6:.2f} m², whatever the setbacks"
    sizes = " or ".join(f"{w.along_u_mm:.0f} × {w.along_v_mm:.0f} mm ({w.orientation})" for w in ways)
    if usable.is_empty:
        found = f"setbacks and obstacles leave nothing of its {face.area_m2:.1f} m²"
    else:
        share, way = max(((largest_share(usable, w), w) for w in ways), key=lambda t: t[0])
        if share >= 1.0:
            lone = fill(usable, ways, placement.model_copy(update={"min_modules": 1}), hardware).count
            found = f"only {lone} modules fit, none in a group of min_modules = {placement.min_modules}"
        else:
            found = (
                f"the largest usable rectangle of a module's shape is {share * way.along_u_mm:.0f} × "
                f"{share * way.along_v_mm:.0f} mm, a module needs {sizes}"
            )
    return f"{found}; {cure(face, ways, kept_mm, placement, hardware)}"


def largest_share(usable: BaseGeometry, way: Lie) -> float:
    """Greatest scale, at most 1, at which one module of that shape fits on `usable`."""
    if not corner_area(usable, way.along_u_mm, way.along_v_mm).is_empty:
        return 1.0
    low, high = 0.0, 1.0
    while high - low > 5e-4:
        middle = 0.5 * (low + high)
        fits = not corner_area(usable, middle * way.along_u_mm, middle * way.along_v_mm).is_empty
        low, high = (middle, high) if fits else (low, middle)
    return low


def cure(
    face: Face, ways: tuple[Lie, ...], kept_mm: Mapping[Edge, float], placement: PlacementConfig, hardware: HardwareConfig
) -> str:
    """The smallest change of one setback that lets an array in; else of all of them together; else why none would."""

    bare = bare_area(face, placement)

    def count(changed: Mapping[Edge, float], config: PlacementConfig) -> int:
        known = bare if config.setback_mm is placement.setback_mm else None
        return fill(usable_area(face, config, changed, bare=known), ways, config, hardware).count

    options: list[tuple[float, str]] = []
    for kind in get_args(EdgeKind):
        now = max((d for e, d in kept_mm.items() if e.kind == kind), default=0.0)
        least = min(options)[0] if options else now
        found = _largest(now, lambda d, kind=kind: count(_lowered(kept_mm, kind, d), placement), now - least)  # type: ignore[misc]
        if found:
            options.append(
                (now - found[0], f"{kind} setback {found[0]:g} instead of {now:g} mm would let {found[1]} modules in")
            )
    if face.obstacles:
        now = placement.setback_mm.obstacle
        least = min(options)[0] if options else now
        found = _largest(now, lambda d: count(kept_mm, _with_obstacle(placement, d)), now - least)
        if found:
            text = f"obstacle setback {found[0]:g} instead of {now:g} mm would let {found[1]} modules in"
            options.append((now - found[0], text))
    if options:
        return min(options)[1]
    now = max(kept_mm.values(), default=0.0)
    found = _largest(now, lambda d: count({e: min(x, d) for e, x in kept_mm.items()}, placement))
    if found:
        return f"no single setback cures it; all edges at {found[0]:g} mm or less would let {found[1]} modules in"
    found = _largest(placement.min_modules, lambda n: count(kept_mm, placement.model_copy(update={"min_modules": int(n)})), 1.0, 1.0)
    if found:
        return f"min_modules = {found[0]:.0f} would let {found[1]} in"
    whole, way = max(((largest_share(bare, w), w) for w in ways), key=lambda t: t[0])
    if whole < 1.0:
        size = f"{whole * way.along_u_mm:.0f} × {whole * way.along_v_mm:.0f} mm"
        return f"no smaller edge setback cures it: even without any, a module of its shape may measure {size} at most"
    return "no smaller edge setback cures it"


def _largest(now: float, count: Callable[[float], int], least: float = 0.0, step: float = STEP_MM) -> tuple[float, int] | None:
    """Greatest value below `now`, in whole steps, with modules, and their number.

    None where even `least` gives none: what asks for more than another cure is of no interest.
    """
    low = int(max(least, 0.0) // step)
    if now <= 0 or count(low * step) == 0:
        return None
    high = int(-(-now // step))
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (middle, high) if count(middle * step) else (low, middle)
    return low * step, count(low * step)


def _lowered(kept_mm: Mapping[Edge, float], kind: str, distance_mm: float) -> dict[Edge, float]:
    return {e: min(d, distance_mm) if e.kind == kind else d for e, d in kept_mm.items()}


def _with_obstacle(placement: PlacementConfig, distance_mm: float) -> PlacementConfig:
    setback = placement.setback_mm.model_copy(update={"obstacle": distance_mm})
    return placement.model_copy(update={"setback_mm": setback})


def outline_trouble(face: Face) -> str:
    """What is wrong with a face's outline, or ''."""
    if not face.outline.is_valid:
        where = shapely.is_valid_reason(face.outline)
        return f"Face {face.id}: the outline crosses itself ({where}); it was read by the even-odd rule."
    return ""
