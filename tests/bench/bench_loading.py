"""File to labelled planes, each run in a fresh process, beside bare decoding of the same file with laspy and lazrs.

    python -m pytest tests/bench/bench_loading.py -m long -s -k beside      0.3, 3 and 10 million points, one file
    python -m pytest tests/bench/bench_loading.py -m long -s -k hundred     100 million points, a lead of five files

LAZ 1.4, point format 7, with intensity, times and colours as a drone's lidar has them: overflights of an invented hip house,
each a pass over the same million points with its own jitter. Seconds are of the work (read and fit against read) and of the
whole process, imports included; memory is the process's greatest resident set. Best of three runs, in turn.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
from functools import cache
from pathlib import Path

import laspy
import numpy as np
import pytest
from numpy.typing import NDArray

from scenes import ScanOptions, Scene, make_scene
from scenes.files import tidy_order

pytestmark = pytest.mark.long
ROOT = Path(__file__).parents[2]
JITTER_M = 0.004
RUNS = 3

OWN = """
import time; start = time.perf_counter()
import json, resource, sys
from pathlib import Path
from rowplane.config import IngestConfig, PlanesConfig
from rowplane.ingest import read_survey
from rowplane.planes import fit_planes
loaded = time.perf_counter()
survey = read_survey(tuple(map(Path, sys.argv[1:])), IngestConfig())
read = time.perf_counter()
roof = fit_planes(survey, PlanesConfig())
end = time.perf_counter()
print(json.dumps({"read": read - loaded, "work": end - loaded, "all": end - start, "points": len(roof.labels),
                  "faces": len(roof.faces), "labelled": int((roof.labels >= 0).sum()),
                  "peak_mb": resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024}))
"""
BARE = """
import time; start = time.perf_counter()
import json, resource, sys
import laspy
loaded = time.perf_counter()
for name in sys.argv[1:]:
    cloud = laspy.read(name, laz_backend=laspy.LazBackend.LazrsParallel)
end = time.perf_counter()
print(json.dumps({"work": end - loaded, "all": end - start,
                  "peak_mb": resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024}))
"""


@cache
def _pass(count: int) -> tuple[Scene, NDArray[np.float64]]:
    """One overflight of about `count` points, strip by strip."""
    trial = make_scene("hip", seed=7, pitch_deg=30.0, scan=ScanOptions(density=300))
    scene = make_scene("hip", seed=7, pitch_deg=30.0, scan=ScanOptions(density=300 * count / len(trial.points)))
    points = scene.points
    return scene, points[tidy_order(points)]


def _write(path: Path, passes: int, each: int, seed: int) -> int:
    _, points = _pass(each)
    rng = np.random.default_rng(seed)
    header = laspy.LasHeader(point_format=7, version="1.4")
    header.scales, header.offsets = np.full(3, 0.001), np.floor(points.min(axis=0))
    n = len(points)
    with laspy.open(str(path), mode="w", header=header, laz_backend=laspy.LazBackend.LazrsParallel) as out:
        for turn in range(passes):
            record = laspy.ScaleAwarePointRecord.zeros(n, header=header)
            record.x, record.y, record.z = (points + rng.normal(0, JITTER_M, points.shape)).T
            record["return_number"] = record["number_of_returns"] = np.ones(n, np.uint8)
            # A brightness that changes slowly along the strip, with the grain of a sensor; two points a microsecond.
            light = 20_000 + 9_000 * np.sin(np.arange(n) / 900) + rng.normal(0, 1_500, n)
            record["intensity"] = light.astype(np.uint16)
            for name, tint in (("red", 1.5), ("green", 1.2), ("blue", 1.0)):
                record[name] = (light * tint).astype(np.uint16) & 0xFF00
            record["gps_time"] = 60.0 * turn + np.arange(n) * 5e-7
            out.write_points(record)
    return n * passes


def _run(script: str, files: list[Path]) -> dict[str, float]:
    env = {**os.environ, "PYTHONPATH": str(ROOT / "pipeline")}
    done = subprocess.run([sys.executable, "-c", script, *map(str, files)], capture_output=True, text=True, env=env, check=True)
    return dict(json.loads(done.stdout))


def _best(runs: list[dict[str, float]], key: str) -> float:
    return min(run[key] for run in runs)


@pytest.mark.parametrize(("passes", "each"), [(1, 300_000), (3, 1_000_000), (10, 1_000_000)])
def test_beside_bare_decoding(passes: int, each: int, tmp_path: Path) -> None:
    path = tmp_path / "scan.laz"
    count = _write(path, passes, each, 1)
    own, bare = [], []
    for _ in range(RUNS):
        bare.append(_run(BARE, [path]))
        own.append(_run(OWN, [path]))
    ratio = _best(own, "work") / _best(bare, "work")
    print(f"\n{count:,} points, {path.stat().st_size / 1e6:.0f} MB, load {os.getloadavg()[0]:.1f}: "
          f"read {_best(own, 'read'):.2f} s, read and label {_best(own, 'work'):.2f} s, process {_best(own, 'all'):.2f} s, "
          f"{max(r['peak_mb'] for r in own):.0f} MB | laspy.read {_best(bare, 'work'):.2f} s, process {_best(bare, 'all'):.2f} s, "
          f"{max(r['peak_mb'] for r in bare):.0f} MB | ratio {ratio:.2f} (processes {_best(own, 'all') / _best(bare, 'all'):.2f})")
    assert all(run["faces"] == 4 and run["points"] == count for run in own)
    if count > 9e6:
        assert max(run["peak_mb"] for run in own) <= 700
        assert ratio <= 1.0


def test_a_hundred_million_points(tmp_path: Path) -> None:
    files = [tmp_path / f"flight-{k}.laz" for k in range(5)]
    small = _write(tmp_path / "small.laz", 10, 1_000_000, 9)
    count = sum(_write(path, 20, 1_000_000, k) for k, path in enumerate(files))
    tenth, whole = _run(OWN, [tmp_path / "small.laz"]), _run(OWN, files)
    growth = (whole["work"] / count) / (tenth["work"] / small)
    print(f"\n{count:,} points in {len(files)} files, load {os.getloadavg()[0]:.1f}: read {whole['read']:.1f} s, "
          f"read and label {whole['work']:.1f} s, {whole['peak_mb']:.0f} MB; {small:,} points: {tenth['work']:.1f} s, "
          f"{tenth['peak_mb']:.0f} MB; seconds per point {growth:.2f} of those")
    assert whole["faces"] == 4
    assert whole["labelled"] > 0.25 * count
    assert whole["peak_mb"] < 2000
    assert growth <= 1.1
