"""Workers of this machine: each lead that takes its worker down costs itself only."""

from __future__ import annotations

import json
import os
import pty
import select
import signal
import subprocess
import sys
import time
from collections import Counter
from pathlib import Path

import pytest

from rowplane.batch import engine, plan_batch, run_batch
from rowplane.batch.tasks import Task
from test_8_batch.jobs import QuickJob, RoughJob, make_leads, result_bytes, runs
from test_8_batch.test_in_process import HERE, verdicts

GOOD = [f"good-{k}" for k in range(6)]
TRIES = {"crash": 2, "hang": 1, "hog": 2, "bug": 1}
"""How often a lead that takes its worker down, or ends badly by itself, is tried."""


def reason(out: Path, lead: str) -> str:
    return str(json.loads((out / lead / "failure.json").read_text())["reason"])


@pytest.mark.parametrize("rough", [TRIES, pytest.param({"kill": 2, "spin": 2}, marks=pytest.mark.long)], ids=" ".join)
def test_crash_hang_and_memory_cost_their_lead_only(
    rough: dict[str, int], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("ROUGH_JOB_LOG", str(tmp_path / "log"))
    monkeypatch.setattr(engine, "free_memory_mb", lambda: 2000.0)
    leads, out = make_leads(tmp_path / "leads", [*GOOD, *rough, "big"]), tmp_path / "out"
    run_batch(plan_batch(str(leads)), str(out), {}, workers=2, make_job=RoughJob)
    assert verdicts(out) == dict.fromkeys([*GOOD, "big"], "ready") | dict.fromkeys(rough, "failed")
    assert Counter(r["lead"] for r in runs(out)) == Counter([*GOOD, *rough, "big"])
    said = {"hang": "time limit of 1 s", "bug": "on purpose"}
    for lead in rough:
        assert said.get(lead, "lost twice") in reason(out, lead)
    tries = Counter((tmp_path / "log").read_text().split())
    assert tries["big"] == 2  # more than a worker's share, less than there is: done when it had all memory to itself
    assert {lead: tries[lead] for lead in rough} == rough
    seen = {lead: (out / lead / "seen.png").read_bytes() for lead in rough}
    assert len(set(seen.values())) > 1  # the points of each, not a sheet that says nothing was read
    assert not list(out.glob(".*"))


@pytest.mark.long  # of an existing cluster's workers the normal run asks the same
def test_same_bytes_on_one_and_two_workers(tmp_path: Path) -> None:
    leads = make_leads(tmp_path / "leads", [*GOOD, "real-roof"])
    outs = [tmp_path / "here", tmp_path / "there"]
    # Numeric libraries on one thread, as the command does it before they are loaded.
    script = [sys.executable, "-m", "test_8_batch.jobs"]
    for out, workers in zip(outs, ("1", "2"), strict=True):
        env = HERE | {"OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"}
        subprocess.run([*script, str(leads), str(out), workers], env=env, check=True, timeout=120)
    one, two = (result_bytes(out) for out in outs)
    assert one.keys() == two.keys()
    assert [name for name in one if one[name] != two[name]] == []


def test_workers_fit_cores_and_memory(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("dask.system.CPU_COUNT", 16)
    light = [Task(str(k), "", need_mb=500) for k in range(100)]
    assert engine.worker_count(light, None, 64_000) == 16
    assert engine.worker_count(light, None, 4_000) == 7
    assert engine.worker_count(light, None, 100) == 1
    assert engine.worker_count(light[:3], None, 64_000) == 3
    assert engine.worker_count(light, 5, 100) == 5
    assert engine.worker_count([Task("h", "", need_mb=20_000)] * 9, None, 64_000) == 2


@pytest.mark.long
def test_ctrl_c_on_a_terminal_ends_in_order(tmp_path: Path) -> None:
    leads, out = make_leads(tmp_path / "leads", [f"good-{k:02}" for k in range(40)]), tmp_path / "out"
    code = (
        "from rowplane.cli import main; import rowplane.batch.night as n, test_8_batch.jobs as j, sys;"
        "n.run_batch.__defaults__ = (*n.run_batch.__defaults__[:-1], j.QuickJob); main()"
    )
    arguments = ["batch", str(leads), "--out", str(out), "--workers", "2"]
    pid, terminal = pty.fork()
    if pid == 0:
        os.execvpe(sys.executable, [sys.executable, "-c", code, *arguments], HERE | {"QUICK_JOB_S": "0.4", "COLUMNS": "120"})
    said, pressed, ended = b"", False, time.monotonic() + 90
    while time.monotonic() < ended:
        if select.select([terminal], [], [], 0.2)[0]:
            try:
                said += os.read(terminal, 65536)
            except OSError:  # the other side of the terminal is closed
                break
        if not pressed and (out / "runs.jsonl").exists() and len(runs(out)) >= 4:
            os.write(terminal, b"\x03")
            pressed = True
    _, status = os.waitpid(pid, 0)
    assert pressed
    assert os.waitstatus_to_exitcode(status) == 130, said.decode()
    assert b"the same command goes on from there" in said
    assert b"Traceback" not in said
    assert b"running" in said
    assert len(verdicts(out)) == len(runs(out)) >= 4
    assert not list(out.glob(".*"))
    assert run_batch(plan_batch(str(leads)), str(out), {}, workers=1, make_job=QuickJob).skipped >= 4


@pytest.mark.long
def test_sigterm_ends_in_order_and_leaves_no_worker(tmp_path: Path) -> None:
    leads, out = make_leads(tmp_path / "leads", [f"slow-{k}" for k in range(4)]), tmp_path / "out"
    code = (
        "from rowplane.cli import main; import rowplane.batch.night as n, test_8_batch.jobs as j;"
        "n.run_batch.__defaults__ = (*n.run_batch.__defaults__[:-1], j.RoughJob); main()"
    )
    env = HERE | {"ROUGH_JOB_LOG": str(tmp_path / "log"), "QUICK_JOB_S": "600"}
    command = [sys.executable, "-c", code, "batch", str(leads), "--out", str(out), "--workers", "2"]
    batch = subprocess.Popen(command, env=env, stderr=subprocess.PIPE, text=True)
    while not (tmp_path / "log").exists() or len((tmp_path / "log").read_text().split()) < 2:
        time.sleep(0.1)
    import psutil

    workers = psutil.Process(batch.pid).children(recursive=True)
    batch.send_signal(signal.SIGTERM)
    _, said = batch.communicate(timeout=60)
    assert batch.returncode == 130
    assert "stopped after 0 of 4 leads" in said
    assert "Traceback" not in said
    assert psutil.wait_procs(workers, timeout=10)[1] == []
    assert not list(out.glob(".*"))
