"""What a batch costs: speed-up with workers, overhead of the engine, memory of the client, load of the scheduler.

    python tests/bench/bench_batch.py            24 leads of 50,000 points, 1,000 simulated leads (some 5 minutes)
    python tests/bench/bench_batch.py --long     200 leads (some half an hour)

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

for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ[_name] = "1"  # before numpy is loaded, here and in every worker
sys.path[:0] = [str(Path(__file__).parents[1]), str(Path(__file__).parents[2] / "pipeline")]
os.environ["PYTHONPATH"] = os.pathsep.join([*sys.path[:2], os.environ.get("PYTHONPATH", "")])

import psutil  # noqa: E402

from rowplane.batch import plan_batch, run_batch  # noqa: E402
from rowplane.batch.tasks import Plan  # noqa: E402
from scenes import LeadText, ScanOptions, make_scene, write_las, write_lead  # noqa: E402
from test_8_batch.jobs import QuickJob, make_leads, runs  # noqa: E402

POINTS = 50_000
HOUSES = 8
"""Distinct houses; further leads are copies under another name."""
SIMULATED = 1000


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--long", action="store_true", help="200 leads instead of 24")
    leads = 200 if parser.parse_args().long else 24
    with tempfile.TemporaryDirectory() as folder:
        place = Path(folder)
        _say("machine", f"{os.cpu_count()} cores, load {os.getloadavg()[0]:.2f} before the first run")
        points = _make_houses(place / "leads", leads)
        _say("leads", f"{leads} of {points:,.0f} points in the mean, {HOUSES} distinct houses")
        one = _run(place, "1 worker (in process)", leads, 1)
        two = _run(place, "2 workers (own cluster)", leads, 2)
        _say("speed-up", f"{one / two:.2f} (asked for: 1.6)")
        _simulate(place)


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


def _run(place: Path, label: str, leads: int, workers: int) -> float:
    out = place / f"out-{workers}"
    start, before = time.perf_counter(), _processor_s()
    report = run_batch(plan_batch(str(place / "leads")), str(out), {}, workers=workers)
    wall, spent = time.perf_counter() - start, _processor_s() - before
    work = sum(r["seconds"] for r in runs(out))
    overhead = wall * workers / work - 1
    _say(
        label,
        f"{wall:7.1f} s, {wall / leads:.2f} s per lead; engine {overhead:.1%} of the work (asked for: 5 %), "
        f"{1000 * overhead * work / leads:.0f} ms per lead; {spent / leads:.2f} s of processor per lead; load now {os.getloadavg()[0]:.2f}; {dict(report.verdicts)}",
    )
    return wall


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


def _say(label: str, text: str) -> None:
    print(f"{label:<26}{text}", flush=True)


if __name__ == "__main__":  # worker processes import this file again
    main()
