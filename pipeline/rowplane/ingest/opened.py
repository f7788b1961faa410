"""What every reader hands over: one opened file whose points come in chunks."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from rowplane.errors import RowplaneError
from rowplane.model import Array, Finding

FARTHEST = 1e11
"""No map has a coordinate as large as this, in whichever unit: the Earth's circumference is 4e10 mm."""

ROWS = 200_000
"""Points per chunk: four chunks of a compressed LAS file, about 5 MB as numbers."""


@dataclass(frozen=True)
class Chunk:
    """Some points: three columns `(k,)` of raw coordinates, classes `(k,)` or None, and what the reader left out."""

    columns: tuple[NDArray[Any], NDArray[Any], NDArray[Any]]
    classes: NDArray[np.uint8] | None = None
    dropped: tuple[tuple[str, int], ...] = ()


@dataclass(frozen=True)
class Opened:
    """One opened file. Coordinates are `column × scale + offset`, in the file's own unit and axes.

    `count` is the most points that `chunks` gives; `middle` `(3,)` a point near them, which float32 is centred on;
    `float32_step` `(3,)` is set where coordinates were float32 and the points handed over no longer show it. `crs` is what
    the file says of its coordinate system, anything pyproj understands. `unit` is set where the format or a column fixes it.
    `gridded` is True for rasters, whose x and y are no measurements.
    """

    path: Path
    format: str
    count: int
    middle: Array
    chunks: Callable[[], Iterator[Chunk]]
    scale: Array = field(default_factory=lambda: np.ones(3))
    offset: Array = field(default_factory=lambda: np.zeros(3))
    float32_step: Array = field(default_factory=lambda: np.zeros(3))
    crs: str | None = None
    unit: str | None = None
    unit_z: str | None = None
    unit_source: str = ""
    up: Literal["z", "y"] = "z"
    gridded: bool = False
    findings: tuple[Finding, ...] = ()


@contextmanager
def in_words(path: Path, kind: str) -> Iterator[None]:
    """Turns whatever a file library raises into a RowplaneError about `path`."""
    try:
        yield
    except (RowplaneError, KeyboardInterrupt, SystemExit, GeneratorExit):
        raise
    except BaseException as error:  # a panic inside a compiled decoder does not derive from Exception
        first = next((line.strip() for line in str(error).splitlines() if line.strip()), type(error).__name__)
        raise RowplaneError(
            str(path),
            f"{kind} that is cut short or damaged ({first[:160]})",
            f"a whole {kind}",
            "Copy the file again, or export it again.",
        ) from error


def no_points(path: Path, kind: str) -> RowplaneError:
    """The error for a file without a single point."""
    return RowplaneError(str(path), f"{kind} without points", "at least a few hundred points", "Export the scan again.")


def check_count(path: Path, count: int, least_bytes: float, max_points: int) -> None:
    """Refuses a header that promises more points than allowed, or than the file's size can hold, before memory is taken.

    `least_bytes` is the smallest size of a point in this format.
    """
    if count > max_points:
        raise RowplaneError(
            str(path),
            f"a header that promises {count:,} points",
            f"up to {max_points:,} points",
            "Cut the scan to the roof, or raise ingest.max_points.",
        )
    size = path.stat().st_size
    if count * least_bytes > size:
        raise RowplaneError(
            str(path),
            f"a header that promises {count:,} points in a file of {size:,} bytes",
            f"at most {int(size / least_bytes):,} points in a file of that size",
            "The file is cut short: copy it again.",
        )
