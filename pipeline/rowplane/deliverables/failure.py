"""What a lead leaves that gave no result: the reason in words, and a picture of what was seen."""

from __future__ import annotations

import io
import json
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from rowplane import __version__
from rowplane.deliverables.safe import plain
from rowplane.deliverables.words import WORDS, say
from rowplane.deliverables.write import put_files

MOST_DOTS = 40_000


def write_failure(lead: str, reason: str, points_mm: NDArray[Any] | None, out_dir: Path) -> tuple[Path, ...]:
    """Writes failure.json and seen.png into `out_dir`, replacing an older result of the lead; all or nothing.

    `points_mm` `(n, 3)` in the survey frame, or None where nothing could be read. Raises RowplaneError as `write_all`.
    """
    values = {"lead": plain(lead, 120), "reason": plain(reason, 1000), "rowplane": __version__}
    text = json.dumps(values, ensure_ascii=False, indent=1) + "\n"
    return put_files({"failure.json": text.encode(), "seen.png": seen_png(points_mm)}, out_dir, overwrite=True)


def seen_png(points_mm: NDArray[Any] | None) -> bytes:
    """Plan of the points, dark low and light high; a sheet that says so where there are none."""
    from matplotlib.figure import Figure

    figure = Figure(figsize=(4, 3), dpi=100)
    axes = figure.add_axes((0.02, 0.02, 0.96, 0.88))
    axes.set_axis_off()
    if points_mm is None or not len(points_mm):
        axes.set_title(WORDS["unseen"])
    else:
        # Every k-th point: the same picture each time, and no slower for a large scan.
        shown = np.asarray(points_mm[:: max(1, len(points_mm) // MOST_DOTS)], dtype=float) / 1000
        axes.scatter(shown[:, 0], shown[:, 1], c=shown[:, 2], s=1, marker=".", cmap="cividis", linewidths=0)
        axes.set_aspect("equal")
        axes.set_title(say("seen", n=f"{len(points_mm):,}"))
    out = io.BytesIO()
    figure.savefig(out, format="png", metadata={"Software": None})
    return out.getvalue()
