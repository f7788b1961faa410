"""From chunks of raw coordinates to one float32 array, cut to where the roof is, with everything left out counted."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rowplane.errors import RowplaneError
from rowplane.ingest import wide
from rowplane.ingest.opened import FARTHEST, Chunk, Opened
from rowplane.model import Array

ENOUGH = 50
"""Numbers needed before their steps say anything."""


@dataclass(frozen=True)
class Filled:
    """All points `(n, 3)` float32, local to `origin` `(3,)`, in the files' unit and axes; `starts` where each file begins.

    `step` `(3,)` is the coarsest coordinate step of the files, `float32_step` the same of coordinates that went through
    float32, 0 for none. `low` and `high` `(3,)` are the box of all that was read, cut or not, in file coordinates.
    """

    origin: Array
    points: NDArray[np.float32]
    classes: NDArray[np.uint8] | None
    starts: tuple[int, ...]
    step: Array
    float32_step: Array
    low: Array
    high: Array
    dropped: Counter[str]


def fill(files: tuple[Opened, ...], plan: tuple[int, int], window: tuple[Array, Array] | None) -> Filled:
    """Reads all files. `window` is a low and high corner `(2,)` over the axes `plan`; points outside are left out.

    Raises RowplaneError where a file cannot be read to its end or memory is too small.
    """
    origin: Array = np.round(np.stack([f.middle for f in files]).mean(axis=0))
    points, classes = _room(files)
    dropped: Counter[str] = Counter()
    starts, end = [], 0
    steps, singles = np.zeros((len(files), 3)), np.zeros((len(files), 3))
    low, high = np.full(3, np.inf), np.full(3, -np.inf)
    for i, file in enumerate(files):
        starts.append(end)
        singles[i] = file.float32_step
        for chunk in file.chunks():
            dropped.update(dict(chunk.dropped))
            if not len(chunk.columns[0]):
                continue
            if end == starts[-1]:
                with np.errstate(all="ignore"):  # damaged numbers show no step
                    steps[i], single = steps_of(file, chunk)
                singles[i] = np.maximum(singles[i], single)
            local, keep = _local(file, chunk, origin, points[end : end + len(chunk.columns[0])], dropped)
            if window is not None:
                least, most = wide.box(local)
                low, high = np.minimum(low, origin + least), np.maximum(high, origin + most)
                keep = _inside(local, keep, [w - origin[list(plan)] for w in window], plan, dropped)
            if keep is not None:
                kept = local[keep]
                local[: len(kept)] = kept
            count = len(local) if keep is None else len(kept)
            if chunk.classes is not None:
                classes[end : end + count] = chunk.classes if keep is None else chunk.classes[keep]
            end += count
    # 0 and 1 mean 'never classified' and 'unclassified' (LAS 1.4 R15, table 9).
    known = classes[:end] if (classes[:end] > 1).any() else None
    return Filled(
        origin,
        points[:end],
        known,
        tuple(starts),
        np.maximum(steps, singles).max(axis=0),
        singles.max(axis=0),
        low,
        high,
        dropped,
    )


def _room(files: tuple[Opened, ...]) -> tuple[NDArray[np.float32], NDArray[np.uint8]]:
    """Points `(n, 3)` and classes `(n,)` for the most that the files can hold; pages never written cost nothing."""
    total = sum(f.count for f in files)
    try:
        return np.empty((total, 3), np.float32), np.zeros(total, np.uint8)
    except MemoryError:
        raise RowplaneError(
            files[0].path.name,
            f"{total:,} points, for which this machine has no memory",
            "a smaller scan",
            "Cut the scan to the roof.",
        ) from None


def _local(
    file: Opened, chunk: Chunk, origin: Array, out: NDArray[np.float32], dropped: Counter[str]
) -> tuple[NDArray[np.float32], NDArray[np.bool_] | None]:
    """Writes the chunk into `out`; gives it back with a mask of points that can be somewhere, None where all can."""
    with np.errstate(over="ignore", invalid="ignore"):
        if chunk.columns[0].dtype.kind != "f":
            # Whole steps from the origin are whole numbers, exact in float32 up to 16 million of them.
            steps = np.round((origin - file.offset) / file.scale).astype(np.int64)
            for j, column in enumerate(chunk.columns):
                np.subtract(column, float(steps[j]), out=out[:, j], casting="unsafe")
            wide.scale(out, file.scale)
            left = file.offset + steps * file.scale - origin
            wide.shift(out, np.where(np.abs(left) > 1e-6 * file.scale, left, 0.0))
            return out, None
        for j, column in enumerate(chunk.columns):
            # Shifted in float64: float32 comes last, when the numbers are small.
            out[:, j] = column.astype(float) * file.scale[j] + (file.offset[j] - origin[j])
        good = np.asarray((np.abs(out) < FARTHEST).all(axis=1))
    if good.all():
        return out, None
    numbers = np.isfinite(out).all(axis=1)
    dropped["coordinates that are not numbers"] += int((~numbers).sum())
    dropped["far from everything else"] += int((numbers & ~good).sum())
    out[~good] = out[np.argmax(good)] if good.any() else 0.0
    return out, good


def _inside(
    local: NDArray[np.float32],
    keep: NDArray[np.bool_] | None,
    window: list[Array],
    plan: tuple[int, int],
    dropped: Counter[str],
) -> NDArray[np.bool_] | None:
    across = local[:, list(plan)]
    inside = ((across >= window[0]) & (across <= window[1])).all(axis=1)
    if inside.all():
        return keep
    outside = ~inside if keep is None else ~inside & keep
    dropped["outside of the chosen place"] += int(outside.sum())
    return np.asarray(inside if keep is None else inside & keep)


def steps_of(file: Opened, chunk: Chunk) -> tuple[Array, Array]:
    """Coordinate step `(3,)` of a chunk, file units, and the float32 step of columns that went through float32, else 0."""
    step, single = np.zeros(3), np.zeros(3)
    for j, column in enumerate(chunk.columns):
        if file.gridded and j < 2:
            continue  # the distance of a raster's cells is no coordinate step
        raw = np.asarray(column[:5000])
        if raw.dtype.kind in "iu":
            whole = np.gcd.reduce(raw.astype(np.int64) - int(raw[0]))
            single[j] = _float32_step(raw * file.scale[j] + file.offset[j], file.scale[j])
            step[j] = float(whole) * file.scale[j]
        else:
            values = raw.astype(float)
            values = values[np.isfinite(values)]
            single[j] = _float32_step(values, _decimal_step(values))
            step[j] = max(_decimal_step(values), _seen_step(values))
    return step, single


def _decimal_step(values: Array) -> float:
    """Largest of 1, 0.1, … 1e-6 of which all `values` are whole multiples; 0 for none."""
    for decimals in range(7):
        scaled = values * 10.0**decimals
        if len(values) and (np.abs(scaled - np.round(scaled)) < 1e-4).all():
            return float(10.0**-decimals)
    return 0.0


def _seen_step(values: Array) -> float:
    """The step between neighbouring `values` where all their distances are whole multiples of it; else 0."""
    gaps = np.diff(np.unique(values))
    if len(gaps) < ENOUGH:
        return 0.0
    times = gaps / gaps.min()
    return float(gaps.min()) if (np.abs(times - np.round(times)) < 0.05).all() and np.median(times) < 10 else 0.0


def _float32_step(values: Array, step: float) -> float:
    """Spacing of float32 at `values` where all of them sit on it, as nearly as `step` can say; else 0.

    Neighbouring values must show that spacing too: a raster's columns may sit on it by chance, many steps apart.
    """
    near = np.abs(values)
    if len(values) < ENOUGH or not near.min() > 0 or np.ptp(values) == 0:
        return 0.0
    spacing = float(np.spacing(np.float32(near.min())))
    if spacing < 4 * step or np.diff(np.unique(values)).min() > 1.5 * spacing + step:
        return 0.0
    off = np.abs(values - np.round(values / spacing) * spacing)
    return spacing if (off <= 0.51 * step + 1e-9 * spacing).all() else 0.0


def check_step(subject: str, step_mm: Array, coarsest_mm: float) -> None:
    """Refuses coordinates that lost their millimetres in float32; `step_mm` `(3,)` along the file's axes."""
    worst = int(np.argmax(step_mm))
    if step_mm[worst] > coarsest_mm:
        raise RowplaneError(
            subject,
            f"coordinates stored as float32 with a step of {step_mm[worst]:.3g} mm along {'xyz'[worst]}",
            f"a step of {coarsest_mm:g} mm at most",
            "Export with a local origin, or as float64 or LAS.",
        )
