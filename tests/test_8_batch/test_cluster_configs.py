"""What configs/ has for a batch: the manifest runs, a job queue's workers run leads, and dask understands what Kubernetes starts."""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import sys
from pathlib import Path

import yaml

from rowplane.batch import plan_batch, run_batch
from test_8_batch.jobs import QuickJob, make_leads
from test_8_batch.test_in_process import HERE

ROOT = Path(__file__).parents[2]
CLUSTER = ROOT / "configs" / "cluster"
QUEUE = {
    "sbatch": 'cp "$1" "{job}" && nohup bash "{job}" >"{job}.log" 2>&1 & echo "Submitted batch job $!"',
    "scancel": 'kill "$1"',
}
"""A queue of this machine in place of a site's: every job begins at once."""


def test_the_manifest_runs_beside_the_samples(tmp_path: Path) -> None:
    for lead in (ROOT / "sample_scans").glob("*/lead.toml"):
        shutil.copytree(lead.parent, tmp_path / lead.parent.name)
    (tmp_path / "leads.csv").write_bytes((ROOT / "configs" / "examples" / "leads.csv").read_bytes())
    report = run_batch(plan_batch(str(tmp_path / "leads.csv")), str(tmp_path / "out"), {}, workers=1, make_job=QuickJob)
    assert report.verdicts["ready"] == 3


def test_workers_from_a_job_queue_run_leads(tmp_path: Path) -> None:
    for name, line in QUEUE.items():
        (tmp_path / name).write_text(f"#!/bin/sh\n{line.format(job=tmp_path / 'job')}\n")
        (tmp_path / name).chmod(0o755)
    env = HERE | {"PATH": f"{tmp_path}:{os.environ['PATH']}"}
    command = [sys.executable, "-W", "ignore", str(CLUSTER / "job_queue.py"), "1"]
    queue = subprocess.Popen(command, env=env, stdout=subprocess.PIPE, text=True, cwd=tmp_path)
    try:
        assert queue.stdout
        told = queue.stdout.readline().split()
        assert told[:-1] == ["rowplane", "batch", "LEADS", "--out", "RESULTS", "--scheduler"]
        plan = plan_batch(str(make_leads(tmp_path / "leads", ["a", "b"])))
        report = run_batch(plan, str(tmp_path / "out"), {}, scheduler=told[-1], make_job=QuickJob)
        assert report.verdicts["ready"] == 2
    finally:
        queue.send_signal(signal.SIGINT)
        assert queue.wait(timeout=30) == 0


def test_kubernetes_starts_what_dask_understands() -> None:
    import dask
    from distributed.cli import dask_scheduler, dask_worker

    spec = yaml.safe_load((CLUSTER / "kubernetes.yaml").read_text())["spec"]
    pods = {part: spec[part]["spec"] for part in ("scheduler", "worker")}
    (scheduler,), (worker,) = (pods[part]["containers"] for part in pods)
    assert scheduler["image"] == worker["image"]
    assert [scheduler["args"][:2], worker["args"][:2]] == [["dask", "scheduler"], ["dask", "worker"]]
    dask_scheduler.main.make_context("scheduler", scheduler["args"][2:])
    options = dask_worker.main.make_context("worker", worker["args"][2:]).params
    assert options["nthreads"] == 1
    assert 0.8 < dask.utils.parse_bytes(options["memory_limit"]) / dask.utils.parse_bytes("4GiB") < 0.95
    assert worker["resources"]["limits"]["memory"] == "4Gi"
    # The settings file is mounted where dask looks without being told.
    for pod, container in zip(pods.values(), (scheduler, worker), strict=True):
        assert [m["mountPath"] for m in container["volumeMounts"]] == ["/etc/dask"]
        assert pod["volumes"][0]["configMap"]["name"] == "rowplane-dask"
    assert "/etc/dask" in dask.config._get_paths()
