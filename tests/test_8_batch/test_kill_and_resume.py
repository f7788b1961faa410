"""kill -9 of the whole batch at random moments, then go on: the same bytes as a run nobody disturbed."""

from __future__ import annotations

import os
import random
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path

import psutil
import pytest

from rowplane.batch import plan_batch, run_batch
from test_8_batch.jobs import QuickJob, make_leads, result_bytes, runs
from test_8_batch.test_in_process import HERE

LEADS = [f"lead-{k:02}" for k in range(12)]


@pytest.mark.parametrize(
    ("kills", "workers", "seed"),
    [
        pytest.param(3, "1", 1, marks=pytest.mark.long),
        pytest.param(1, "2", 2, marks=pytest.mark.long),
        pytest.param(20, "1", 3, marks=pytest.mark.long),
        pytest.param(20, "2", 4, marks=pytest.mark.long),
    ],
)
def test_killed_and_resumed_gives_the_same_bytes(kills: int, workers: str, seed: int, tmp_path: Path) -> None:
    leads = make_leads(tmp_path / "leads", LEADS)
    (leads / "real-broken.laz").write_bytes(b"LASF and then nothing")
    undisturbed, out = tmp_path / "undisturbed", tmp_path / "out"
    run_batch(plan_batch(str(leads)), str(undisturbed), {}, workers=1, make_job=QuickJob)
    chance = random.Random(seed)
    killed = 0
    while killed < kills:
        killed += _run_and_kill(leads, out, workers, chance)
        if killed < kills and len(list(out.glob("lead-*"))) == len(LEADS):
            # All done before the last kill: take some results away, so that there is something left to disturb.
            for name in chance.sample(LEADS, 6):
                shutil.rmtree(out / name)
    subprocess.run(
        [sys.executable, "-m", "test_8_batch.jobs", str(leads), str(out), workers], env=HERE, check=True, timeout=120
    )
    assert result_bytes(out) == result_bytes(undisturbed)
    assert not [p.name for p in out.iterdir() if p.name.startswith(".")]
    assert {r["lead"] for r in runs(out)} == {*LEADS, "real-broken"}


def _run_and_kill(leads: Path, out: Path, workers: str, chance: random.Random) -> int:
    """Start a batch and kill it, workers and all, some time after its first sign of life; 0 where it was through before."""
    command = [sys.executable, "-m", "test_8_batch.jobs", str(leads), str(out), workers]
    lock = out / ".rowplane-batch.lock"
    batch = subprocess.Popen(command, env=HERE | {"QUICK_JOB_S": "0.1"}, start_new_session=True)
    while batch.poll() is None and not lock.exists():
        time.sleep(0.005)
    time.sleep(chance.uniform(0, 1.5 if workers == "1" else 5.0))
    if batch.poll() is not None:
        return 0
    family = psutil.Process(batch.pid).children(recursive=True)
    os.kill(batch.pid, signal.SIGKILL)
    batch.wait()
    # Workers notice and end by themselves: nothing is left that could write behind the next run's back.
    assert psutil.wait_procs(family, timeout=15)[1] == []
    return 1


def test_a_killed_batch_keeps_what_was_finished(tmp_path: Path) -> None:
    leads, out = make_leads(tmp_path / "leads", LEADS), tmp_path / "out"
    batch = subprocess.Popen([sys.executable, "-m", "test_8_batch.jobs", str(leads), str(out), "1"], env=HERE)
    while not (out / "runs.jsonl").exists() or len(runs(out)) < 4:
        time.sleep(0.02)
    batch.kill()
    batch.wait()
    finished = len(runs(out))
    assert run_batch(plan_batch(str(leads)), str(out), {}, workers=1, make_job=QuickJob).skipped >= finished
