"""Seconds and sizes of all deliverables of leads of 100, 150 and 600 feet: pytest tests/bench/bench_deliverables.py -m long -s.

The bar: a hundred-foot lead in 6 s together, crew-sheet.pdf under 2 MB, crew-sheet.html under 600 kB, model.html under 6 MB.
Libraries are loaded first, as the job does while it computes; seconds are of this process's processor time, so that other work
on the machine does not count.
"""

from __future__ import annotations

import time
from dataclasses import replace
from pathlib import Path

import pytest

from rowplane.deliverables import write_all
from rowplane.levelling import level_feet
from rowplane.model import RoofResult
from test_7_deliverables.builders import make_result

LEADS = {100: ((9, 6), (4, 3)), 150: ((14, 7), (5, 3)), 600: ((20, 20, 20), (6, 6, 6))}
MOST_BYTES = {"crew-sheet.pdf": 2_000_000, "crew-sheet.html": 600_000, "model.html": 6_000_000}
MOST_SECONDS = 6.0


def levelled(columns: tuple[int, ...], rows: tuple[int, ...]) -> RoofResult:
    result = make_result(name="Great Barn 4", columns=columns, rows=rows)
    config = result.lead.config
    levels = level_feet(result.layout, result.plan, result.surfaces, config.levelling, config.hardware, config.module)
    return replace(result, levels=replace(levels, wishes=()))


@pytest.mark.long
def test_seconds_and_sizes_of_all_deliverables(tmp_path: Path) -> None:
    write_all(make_result(columns=(3,), rows=(2,)), tmp_path / "libraries")
    print("\nfeet  seconds  " + "  ".join(f"{name}, kB" for name in MOST_BYTES) + "  all, kB")
    for feet, (columns, rows) in LEADS.items():
        result = levelled(columns, rows)
        start = time.process_time()
        written = write_all(result, tmp_path / str(feet))
        seconds = time.process_time() - start
        sizes = {path.name: path.stat().st_size for path in written}
        told = "  ".join(f"{sizes[name] / 1000:>{len(name) + 4}.0f}" for name in MOST_BYTES)
        print(f"{len(result.plan.feet):4d}  {seconds:7.1f}  {told}  {sum(sizes.values()) / 1000:7.0f}")
        assert len(result.plan.feet) >= feet
        if feet == 100:
            assert seconds < MOST_SECONDS
            assert all(sizes[name] < most for name, most in MOST_BYTES.items())
