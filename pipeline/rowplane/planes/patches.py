"""Sets of grid cells: connected pieces, neighbourhoods. Each works in the window that holds the set, not on the whole grid."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from rowplane.model import Array
from rowplane.planes.grid import Grid

Mask = NDArray[np.bool_]
AROUND = np.ones((3, 3), dtype=bool)


def window(grid: Grid, cells: Mask, margin: int) -> tuple[slice, slice]:
    """Rows and columns of the grid that hold a set of cells `(size,)` and `margin` cells round it; empty for no cell."""
    image = cells.reshape(grid.box.shape)
    spans = []
    for axis in (0, 1):
        held = np.nonzero(image.any(axis=1 - axis))[0]
        spans.append(slice(max(int(held[0]) - margin, 0), int(held[-1]) + 1 + margin) if len(held) else slice(0, 0))
    return spans[0], spans[1]


def pieces_of(grid: Grid, cells: Mask) -> tuple[NDArray[np.int32], NDArray[np.int64]]:
    """Connected pieces of a set of cells: flat labels from 1, and their sizes."""
    labels, count = ndimage.label(cells.reshape(grid.box.shape), AROUND)
    return labels.ravel(), np.bincount(labels.ravel(), minlength=count + 1)[1:]


def bridged(grid: Grid, cells: Mask) -> tuple[NDArray[np.int32], NDArray[np.int64]]:
    """Pieces of a set, gaps of two cells bridged: a neck over a dying ridge or a row of vents does not part a plane."""
    place = window(grid, cells, 1)
    image = cells.reshape(grid.box.shape)[place]
    labels = ndimage.label(ndimage.binary_dilation(image, AROUND), AROUND)[0]
    labels[~image] = 0
    whole = np.zeros(grid.box.shape, dtype=np.int32)
    whole[place] = labels
    return whole.ravel(), np.bincount(labels.ravel())[1:]


def widened(grid: Grid, cells: Mask, reach: int) -> Mask:
    """A set of cells with all cells up to `reach` beside it."""
    place = window(grid, cells, reach)
    whole = np.zeros(grid.box.shape, dtype=bool)
    whole[place] = ndimage.binary_dilation(cells.reshape(grid.box.shape)[place], AROUND, iterations=reach)
    return whole.ravel()


def connected(grid: Grid, start: Mask, fits: Callable[[Array], Mask]) -> Mask:
    """All cells that fit and hang together with cells of `start` that fit; `fits` tells it of moments `(10, m)`."""
    moments = grid.moments.reshape(10, *grid.box.shape)
    margin = 4
    while True:
        place = window(grid, start, margin)
        part = moments[(slice(None), *place)]
        close = fits(part.reshape(10, -1)).reshape(part.shape[1:])
        labels, count = ndimage.label(close, AROUND)
        held = np.zeros(count + 1, dtype=bool)
        held[labels[start.reshape(grid.box.shape)[place]]] = True
        held[0] = False
        grown = held[labels]
        # What reaches the window's rim may go on beyond it, unless the grid ends there.
        at_rim = (grown[0].any(), grown[-1].any(), grown[:, 0].any(), grown[:, -1].any()) if grown.size else ()
        ends = [limit for s, n in zip(place, grid.box.shape, strict=True) for limit in (s.start == 0, s.stop >= n)]
        if not any(rim and not end for rim, end in zip(at_rim, ends, strict=False)):
            whole = np.zeros(grid.box.shape, dtype=bool)
            whole[place] = grown
            return whole.ravel()
        margin *= 4
