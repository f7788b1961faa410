"""What a batch costs: speed-up with workers, overhead of the engine, memory of the client, load of the scheduler.

    python tests/bench/bench_batch.py                   24 leads of 50,000 points, then 1,000 simulated ones (some 10 minutes)
    python tests/bench/bench_batch.py --leads 200       half an hour and more
    python tests/bench/bench_batch.py --part simulated  one of: work, simulated, summary

Prints a table; says how busy the machine was, because figures of a busy machine are worth little.
"""

from __future__ import annotations

import argparse
import os
import resource
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ[_name] = "1"  # before numpy is loaded, here and in every worker
sys.path[:0] = [str(Path(__file__).parents[1]), str(Path(__file__).parents[2] / "pipeline")]
os.environ["PYTHONPATH"] = os.pathsep.join([*sys.path[:2], os.environ.get("PYTHONPATH", "")])

import psutil  # noqa: E402

from rowplane.batch import plan_batch, run_batch  # noqa: E402
from rowplane.batch.summary import kept, summary_files  # noqa: E402
from rowplane.batch.tasks import Plan  # noqa: E402
from rowplane.batch.triage import COLUMNS  # noqa: E402
from scenes import LeadText, ScanOptions, make_scene, write_las, write_lead  # noqa: E402
from test_8_batch.jobs import QuickJob, make_leads, runs  # noqa: E402

POINTS = 50_000
HOUSES = 8
"""Distinct houses; further leads are copies under another name."""
SIMULATED = 1000


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--leads", type=int, default=24)
    parser.add_argument("--part", choices=("work", "simulated", "summary"))
    asked = parser.parse_args()
    _say("machine", f"{os.cpu_count()} cores, load {os.getloadavg()[0]:.2f} before the first run")
    with tempfile.TemporaryDirectory() as folder:
        if asked.part in (None, "work"):
            _work(Path(folder), asked.leads)
        if asked.part in (None, "simulated"):
            _simulate(Path(folder))
        if asked.part in (None, "summary"):
            _sum_up()


def _work(place: Path, leads: int) -> None:
    points = _make_houses(place / "leads", leads)
    _say("leads", f"{leads} of {points:,.0f} points in the mean, {min(HOUSES, leads)} distinct houses")
    one = _run(place, "1 worker (in process)", leads, 1)
    two = _run(place, "2 workers (own cluster)", leads, 2)
    _say("speed-up", f"{one[0] / two[0]:.2f} (aim: 1.6); without starting the workers {one[1] / two[1]:.2f}")


def _make_houses(folder: Path, count: int) -> float:
    sizes = []
    for k in range(min(HOUSES, count)):
        scene = make_scene("gable", seed=k, pitch_deg=22 + k, scan=ScanOptions(density=_density(k)))
        house = folder / f"lead-{k:03}"
        house.mkdir(parents=True)
        write_las(scene, house / "roof.laz", epsg=25832)
        write_lead(LeadText(f"House {k}", "roof.laz", "2025-09-16", "an invented house", tuple(scene.faces)), house)
        sizes.append(len(scene.points))
    for k in range(HOUSES, count):
        copy = folder / f"lead-{k:03}"
        copy.mkdir()
        for name in ("roof.laz", "lead.toml"):
            (copy / name).write_bytes((folder / f"lead-{k % HOUSES:03}" / name).read_bytes())
    return sum(sizes) / len(sizes)


def _density(seed: int) -> float:
    """The density that gives this house about 50,000 points."""
    tried = 100.0
    return tried * POINTS / len(make_scene("gable", seed=seed, pitch_deg=22 + seed, scan=ScanOptions(density=tried)).points)


def _run(place: Path, label: str, leads: int, workers: int) -> tuple[float, float]:
    """Seconds of the whole, and seconds per lead once workers are there."""
    out, first = place / f"out-{workers}", 0.0

    def note(outcome: dict[str, Any]) -> None:
        nonlocal first
        first = first or time.perf_counter() - start - outcome["seconds"]

    start, before = time.perf_counter(), _processor_s()
    report = run_batch(plan_batch(str(place / "leads")), str(out), {}, workers=workers, on_outcome=note)
    wall, spent = time.perf_counter() - start, _processor_s() - before
    work = sum(r["seconds"] for r in runs(out))
    over = (wall - first) * workers - work
    text = f"{wall:.1f} s, of which {first:.1f} s until the first lead ran; {work / leads:.2f} s of work and {spent / leads:.2f} s of "
    text += f"processor per lead; engine {1000 * over / leads:.0f} ms per lead, {over / work:.1%} of the work (aim: 5 %); "
    text += f"peak memory {_peak_mb(workers):.0f} MB; load now {os.getloadavg()[0]:.2f}; {dict(report.verdicts)}"
    _say(label, text)
    return wall, (wall - first) / leads


def _peak_mb(workers: int) -> float:
    """Of this process, or of the greatest worker that has ended."""
    return resource.getrusage(resource.RUSAGE_SELF if workers == 1 else resource.RUSAGE_CHILDREN).ru_maxrss / 1e3


def _processor_s() -> float:
    """Processor time of this process and of the workers that have ended, s."""
    used = [resource.getrusage(who) for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN)]
    return sum(u.ru_utime + u.ru_stime for u in used)


def _simulate(place: Path) -> None:
    """Many leads that cost next to nothing: what is left is the engine."""
    os.environ["QUICK_JOB_S"] = "0"
    folder = make_leads(place / "simulated", [f"lead-{k:04}" for k in range(SIMULATED)])
    for workers in (1, 2):
        _simulated(plan_batch(str(folder)), place / f"quick-{workers}", workers)


def _simulated(plan: Plan, out: Path, workers: int) -> None:
    me, memory, done = psutil.Process(), {}, 0

    def note(_outcome: object) -> None:
        nonlocal done
        done += 1
        if done in (100, SIMULATED // 2, SIMULATED):
            memory[done] = me.memory_info().rss / 1e6

    start, cpu = time.perf_counter(), sum(me.cpu_times()[:2])
    run_batch(plan, str(out), {}, workers=workers, on_outcome=note, make_job=QuickJob)
    wall, spent = time.perf_counter() - start, sum(me.cpu_times()[:2]) - cpu
    work = sum(r["seconds"] for r in runs(out))
    grown = (memory[SIMULATED] - memory[100]) / (SIMULATED - 100) * 1000
    text = (
        f"{SIMULATED} in {wall:.1f} s, {1000 * (wall * workers - work) / SIMULATED:.1f} ms of a worker's time beside its lead; "
    )
    text += "client " + ", ".join(f"{mb:.0f} MB after {k}" for k, mb in memory.items()) + f" ({grown:.1f} kB per lead)"
    if workers > 1:
        per = spent / SIMULATED
        text += f"; client and scheduler {1000 * per:.1f} ms of processor per lead: one scheduler feeds {1 / per:.0f} leads/s"
    _say(f"simulated, {workers} worker{'s' * (workers > 1)}", text)


def _sum_up() -> None:
    """The morning's files of many leads: what one process needs at the end of the night."""
    for count in (1_000, 10_000, 100_000):
        made = [kept(_outcome(k), count) for k in range(count)]
        memory = psutil.Process().memory_info().rss / 1e6
        start = time.perf_counter()
        files = summary_files(made, count)
        sizes = ", ".join(f"{name} {len(content) / 1e6:.1f} MB" for name, content in files.items())
        _say(f"summary of {count:,}", f"{time.perf_counter() - start:.1f} s; {memory:.0f} MB held before it; {sizes}")
        del made, files


def _outcome(k: int) -> dict[str, Any]:
    """One that came from a worker: no two leads share a text."""
    row = {name: f"{name} of lead {k:06}" if decimals is None else k % 97 + 0.5 for name, _, decimals, _ in COLUMNS}
    parts = [[f"part {n}", f"invented, size {n}", "piece", k % 13 + n, 1.5 * n] for n in range(25)]
    return {"lead": f"{k:06}", "state": "done", "row": row | {"verdict": "ready"}, "parts": parts, "thumb": "x" * 5000}


def _say(label: str, text: str) -> None:
    print(f"{label:<26}{text}", flush=True)


if __name__ == "__main__":  # worker processes import this file again
    main()
