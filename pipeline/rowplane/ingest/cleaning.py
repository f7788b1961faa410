"""Which points are none: far from everything, or repeated."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from rowplane.errors import RowplaneError
from rowplane.ingest import wide
from rowplane.model import Array

SAMPLE = 100_000
REACH = 2.0
"""Points further outside the middle 98 % than this many times its size are looked at one by one."""

LONELY_SHARE = 1e-3
"""A group beyond that reach stays when it holds more than this share of all points: a second building, say."""

FEWEST = 4


def box_of(points: NDArray[Any]) -> tuple[Array, Array]:
    """Low and high corner `(3,)` of the middle 98 % of `(n, 3)`, from an even sample."""
    sample = points[:: max(1, len(points) // SAMPLE)].astype(float)
    low, high = np.percentile(sample, [1, 99], axis=0)
    return low, high


def far_from_everything(points: NDArray[Any]) -> NDArray[np.bool_] | None:
    """True for gross outliers: in small groups, far outside of where the points are. None where there is none.

    Beyond `REACH` the points of one coarse cell, twice as large as the middle of the scan, are one group.
    """
    if len(points) < FEWEST:
        return None
    low, high = box_of(points)
    size = np.maximum(high - low, 1e-3 * float((high - low).max()))
    size = np.maximum(size, 1e-6)
    reach_low, reach_high = low - REACH * size, high + REACH * size
    least, most = wide.box(points)
    if (least >= reach_low).all() and (most <= reach_high).all():
        return None
    beyond = np.flatnonzero(((points < reach_low) | (points > reach_high)).any(axis=1))
    cell = np.floor((points[beyond].astype(float) - low) / (REACH * size))
    _, group, count = np.unique(cell, axis=0, return_inverse=True, return_counts=True)
    lonely = count[group.ravel()] <= max(FEWEST, LONELY_SHARE * len(points))
    gone = np.zeros(len(points), bool)
    gone[beyond[lonely]] = True
    return gone if gone.any() else None


def check_shape(subject: str, points: NDArray[Any]) -> None:
    """Refuses too few points, all points equal, and all points on one line. Unit-free."""
    if len(points) < FEWEST:
        raise RowplaneError(
            subject,
            f"{len(points)} point{'s' if len(points) != 1 else ''}",
            "at least a few hundred points",
            "Scan the roof again.",
        )
    sample = points[:: max(1, len(points) // SAMPLE)].astype(float)
    centred = sample - sample.mean(axis=0)
    spread = np.sqrt(np.maximum(np.linalg.eigvalsh(centred.T @ centred / len(sample)), 0.0))
    if not spread[2] > 0:
        raise RowplaneError(subject, "points that are all the same", "points spread over a roof", "Export the scan again.")
    if spread[1] < 1e-4 * spread[2]:
        raise RowplaneError(subject, "points that all lie on one line", "points spread over a roof", "Export the scan again.")
