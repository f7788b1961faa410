"""Names for the sides of an outline: ridge, hip and valley from contacts, eave and verge by direction, step by what rises."""

from __future__ import annotations

from collections.abc import Callable
from itertools import pairwise

import numpy as np
from shapely.geometry import Polygon

from rowplane.model import Array, Edge, EdgeKind
from rowplane.planes.raster import Line

SNAP_MM = 600.0
UNSEEN_MM = 2500.0
"""A contact runs on to the end of its side over this much that no neighbour shows: trees hide it."""


def name_edges(
    outline: Polygon, contacts: list[Line], ids: list[str] | None, rises: Callable[[Array, Array], bool]
) -> tuple[Edge, ...]:
    """Edges of a counter-clockwise outline in u, v. `rises(start, end)` tells whether something stands up beyond a side."""
    ring = np.array(outline.exterior.coords)
    edges: list[Edge] = []
    for start, end in pairwise(ring):
        edges += _side(start, end, contacts, ids, rises)
    return tuple(edges)


def _side(
    start: Array, end: Array, contacts: list[Line], ids: list[str] | None, rises: Callable[[Array, Array], bool]
) -> list[Edge]:
    length = float(np.linalg.norm(end - start))
    run = (end - start) / length
    held = sorted(_stretches(start, run, length, contacts), key=lambda s: (s[0], s[1]))
    edges: list[Edge] = []
    at = 0.0
    for first, last, line in held:
        begin = max(first, at)
        if last - begin < 0.5 * SNAP_MM and length > SNAP_MM:
            continue
        if begin - at > (UNSEEN_MM if at == 0.0 else SNAP_MM):
            edges.append(_free(start + at * run, start + begin * run, rises))
        else:
            begin = at
        stop = length if length - last < UNSEEN_MM and line is held[-1][2] else last
        name = ids[line.neighbour] if ids and line.neighbour is not None else None
        edges.append(Edge(line.kind or "verge", _pair(start + begin * run), _pair(start + stop * run), name))
        at = stop
    if length - at > 1e-6:
        edges.append(_free(start + at * run, end, rises))
    return edges


def _stretches(start: Array, run: Array, length: float, contacts: list[Line]) -> list[tuple[float, float, Line]]:
    """Parts of a side that lie on contact lines, as distances from its start."""
    found = []
    for line in contacts:
        if abs(float(run @ line.normal)) > 0.06:
            continue
        middle = start + 0.5 * length * run
        if abs(float(middle @ line.normal) - line.offset) > 60.0:
            continue
        sign = float(np.sign(run @ line.along))
        ends = sorted((t - float(start @ line.along)) * sign for t in line.span)
        a, b = max(ends[0], 0.0), min(ends[1], length)
        if b > a:
            found.append((a, b, line))
    return found


def _free(start: Array, end: Array, rises: Callable[[Array, Array], bool]) -> Edge:
    run = (end - start) / max(float(np.linalg.norm(end - start)), 1e-9)
    kind: EdgeKind
    if rises(start, end):
        kind = "step"
    elif abs(run[1]) > 0.35:
        kind = "verge"
    else:
        # The outline runs counter-clockwise: to the right along the foot of the face, to the left along its head.
        kind = "eave" if run[0] > 0 else "ridge"
    return Edge(kind, _pair(start), _pair(end))


def _pair(uv: Array) -> tuple[float, float]:
    return (float(uv[0]), float(uv[1]))
