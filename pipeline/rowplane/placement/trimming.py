"""Modules taken away again: where there is a greatest count, and where levelling asks for another layout."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry.base import BaseGeometry

from rowplane.config import HardwareConfig, PlacementConfig
from rowplane.findings import finding
from rowplane.model import Array, Finding, Wish
from rowplane.placement.arrays import ALIGN_MM, groups_of
from rowplane.placement.erosion import FIT_MM
from rowplane.placement.filling import Fill

SAME_SHARE = 0.5
"""A wish means the module of which it covers at least this share."""


def capped(fills: Mapping[str, Fill], ranked: Sequence[str], placement: PlacementConfig) -> dict[str, Fill]:
    """`fills` with at most max_modules modules in all, the faces named first in `ranked` keeping theirs."""
    left = placement.max_modules
    kept = dict(fills)
    for name in ranked:
        if name in kept and kept[name].count > left:
            kept[name] = least_groups(trimmed(kept[name], left), placement)
        left -= kept[name].count if name in kept else 0
    return kept


def trimmed(filled: Fill, keep: int) -> Fill:
    """The face with `keep` modules: taken away from the top row down, in a row from the ends that are farthest out."""
    if filled.count <= keep:
        return filled
    rects = np.concatenate([b.rects_mm for b in filled.blocks])
    owner = np.concatenate([np.full(len(b.rects_mm), k) for k, b in enumerate(filled.blocks)])
    middle = 0.5 * (rects[:, 0].min() + rects[:, 2].max())
    out = np.abs(0.5 * (rects[:, 0] + rects[:, 2]) - middle)
    stays = np.lexsort((rects[:, 0], np.round(out, 3), np.round(rects[:, 1], 3)))[: max(keep, 0)]
    blocks = [replace(b, rects_mm=rects[np.sort(stays[owner[stays] == k])]) for k, b in enumerate(filled.blocks)]
    return replace(filled, blocks=tuple(blocks))


def least_groups(filled: Fill, placement: PlacementConfig) -> Fill:
    """The face without groups of fewer than min_modules."""
    blocks = []
    for block in filled.blocks:
        group = groups_of(block.rects_mm, placement.gap_mm, placement.gap_mm + placement.expansion_allow_mm)
        size = np.bincount(group, minlength=1)
        blocks.append(replace(block, rects_mm=block.rects_mm[size[group] >= placement.min_modules]))
    return replace(filled, blocks=tuple(blocks))


def wished(
    fills: Mapping[str, Fill],
    usable: Mapping[str, BaseGeometry],
    wishes: Sequence[Wish],
    placement: PlacementConfig,
    hardware: HardwareConfig,
) -> tuple[dict[str, Fill], list[Finding]]:
    """`fills` with `wishes` carried out in their order; each refers to the layout that those before it left.

    All other modules stay where they are, so that what levelling found out about them still holds.
    """
    done, findings = dict(fills), []
    for wish in wishes:
        subject = f"face {wish.face}"
        before = done.get(wish.face)
        if before is None or not before.count:
            text = f"Face {wish.face} carries no modules: nothing to {wish.kind}. Asked for: {wish.reason}."
            findings.append(finding("wish-not-met", subject, text))
            continue
        if wish.kind == "drop":
            after, missed = _dropped(before, wish)
        else:
            after, missed = _split(before, usable[wish.face], wish.v_mm, placement, hardware)
        after = least_groups(after, placement)
        done[wish.face] = after
        if missed:
            findings.append(finding("wish-not-met", subject, f"Face {wish.face}: {missed}. Asked for: {wish.reason}."))
        gone = before.count - after.count
        if gone:
            text = f"Face {wish.face}: {gone} modules left out at levelling's wish ({wish.reason})."
            findings.append(finding("modules-dropped", subject, text, float(gone)))
    return done, findings


def _dropped(filled: Fill, wish: Wish) -> tuple[Fill, str]:
    blocks = []
    met = [False] * len(wish.rects_mm)
    for block in filled.blocks:
        stays = np.ones(len(block.rects_mm), dtype=bool)
        for k, rect in enumerate(wish.rects_mm):
            hit = _covered(block.rects_mm, rect) >= SAME_SHARE
            met[k] = met[k] or bool(hit.any())
            stays &= ~hit
        blocks.append(replace(block, rects_mm=block.rects_mm[stays]))
    lost = met.count(False)
    return replace(filled, blocks=tuple(blocks)), f"{lost} of {len(met)} places to leave out hold no module" if lost else ""


def _covered(rects_mm: Array, rect: tuple[float, float, float, float]) -> Array:
    """Share of each of `rects_mm` `(n, 4)` that lies under `rect`."""
    wide = np.clip(np.minimum(rects_mm[:, 2], rect[2]) - np.maximum(rects_mm[:, 0], rect[0]), 0, None)
    high = np.clip(np.minimum(rects_mm[:, 3], rect[3]) - np.maximum(rects_mm[:, 1], rect[1]), 0, None)
    area = (rects_mm[:, 2] - rects_mm[:, 0]) * (rects_mm[:, 3] - rects_mm[:, 1])
    return np.asarray(wide * high / np.maximum(area, 1e-9))


def _split(
    filled: Fill, usable: BaseGeometry, v_mm: float, placement: PlacementConfig, hardware: HardwareConfig
) -> tuple[Fill, str]:
    """Rows above `v_mm` moved up by the room two rail ends need; modules that then have no room are left out.

    Only arrays with a gap between rows at `v_mm` are meant; arrays above that would be in the way move along. Below the
    split the rails end past their last line, above it the next ones begin before their first.
    """
    sizes = [len(b.rects_mm) for b in filled.blocks]
    rects = np.concatenate([b.rects_mm for b in filled.blocks])
    group = groups_of(rects, placement.gap_mm, placement.gap_mm + placement.expansion_allow_mm)
    move = np.zeros(len(rects), dtype=bool)
    for k in range(group.max(initial=-1) + 1):
        above = (group == k) & (rects[:, 1] >= v_mm - ALIGN_MM)
        below = (group == k) & (rects[:, 3] <= v_mm + ALIGN_MM)
        if above.any() and below.any() and (above | below).sum() == (group == k).sum():
            move |= above
    if not move.any():
        return filled, f"no array has a gap between rows at {v_mm:.0f} mm"
    ends_mm = hardware.rail_past_mm + hardware.rail_end_mm
    up = np.array([0.0, 1.0, 0.0, 1.0]) * ends_mm
    apart = placement.gap_mm, placement.gap_mm + ends_mm
    while True:
        moved = rects + move[:, None] * up
        blocked = _nearer(moved, move, apart).any(axis=0) & (rects[:, 1] >= v_mm - ALIGN_MM)
        along = np.isin(group, group[blocked & ~move]) & ~move & (rects[:, 1] >= v_mm - ALIGN_MM)
        if not along.any():
            break
        move |= along
    room = shapely.covers(shapely.buffer(usable, 10 * FIT_MM), shapely.box(*moved.T))
    # What stays has the older right: a moved module too near to one that stays is left out.
    room &= ~_nearer(moved, move, apart).any(axis=1)
    stays = room | ~move
    ends = np.cumsum(sizes)
    blocks = [
        replace(b, rects_mm=moved[e - n : e][stays[e - n : e]]) for b, n, e in zip(filled.blocks, sizes, ends, strict=True)
    ]
    return replace(filled, blocks=tuple(blocks)), ""


def _nearer(rects_mm: Array, moved: NDArray[np.bool_], apart_mm: tuple[float, float]) -> NDArray[np.bool_]:
    """`(n, n)`: moved module i stands nearer than `apart_mm` (across, up the slope) to module j, which is not moved."""
    u0, v0, u1, v1 = rects_mm.T
    across = np.maximum(u0[None, :] - u1[:, None], u0[:, None] - u1[None, :])
    along = np.maximum(v0[None, :] - v1[:, None], v0[:, None] - v1[None, :])
    near = (across < apart_mm[0] - ALIGN_MM) & (along < apart_mm[1] - ALIGN_MM)
    return np.asarray(near & moved[:, None] & ~moved[None, :])
