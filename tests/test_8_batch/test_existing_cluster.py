"""A cluster that is there already: scheduler and workers as processes of their own, inputs and outputs in an S3 store."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from collections import Counter
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from rowplane.batch import engine, plan_batch, run_batch
from rowplane.errors import RowplaneError
from test_8_batch.jobs import QuickJob, make_leads, result_bytes, runs
from test_8_batch.test_in_process import HERE, batch

LEADS = [*(f"lead-{k}" for k in range(8)), "real-roof"]
SETTINGS = {"DASK_CONFIG": str(Path(__file__).parents[2] / "configs" / "cluster" / "dask.yaml")}


@pytest.fixture(scope="module")
def store() -> Iterator[dict[str, str]]:
    """The environment in which an S3 store of this machine answers, with an empty bucket `night`."""
    from moto.server import ThreadedMotoServer

    server = ThreadedMotoServer(ip_address="127.0.0.1", port=0, verbose=False)
    server.start()
    host, port = server.get_host_and_port()
    keys = {"AWS_ACCESS_KEY_ID": "nobody", "AWS_SECRET_ACCESS_KEY": "nothing", "AWS_DEFAULT_REGION": "eu-central-1"}
    env = HERE | keys | {"AWS_ENDPOINT_URL": f"http://{host}:{port}", "OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"}
    files(env).mkdir("night")
    yield env
    server.stop()


@pytest.fixture
def cluster(store: dict[str, str], tmp_path: Path) -> Iterator[tuple[str, list[subprocess.Popen[bytes]]]]:
    """Address of a scheduler, and its two workers."""
    log = (tmp_path / "cluster.log").open("w")
    dask = [sys.executable, "-m", "dask"]

    def start(*arguments: str) -> subprocess.Popen[bytes]:
        return subprocess.Popen([*dask, *arguments], env=store | SETTINGS, stdout=log, stderr=log, start_new_session=True)

    told = tmp_path / "scheduler.json"
    scheduler = start("scheduler", "--host", "127.0.0.1", "--port", "0", "--no-dashboard", "--scheduler-file", str(told))
    workers = [
        start(
            "worker",
            "--scheduler-file",
            str(told),
            "--nthreads",
            "1",
            "--no-dashboard",
            "--local-directory",
            str(tmp_path / f"w{k}"),
        )
        for k in range(2)
    ]
    try:
        while not told.exists():
            time.sleep(0.1)
        address = json.loads(told.read_text())["address"]
        _wait_for_workers(address, 2)
        yield address, workers
    finally:
        for process in (*workers, scheduler):
            if process.poll() is None:
                os.killpg(process.pid, signal.SIGKILL)
            process.wait()
        log.close()


def files(env: dict[str, str]) -> Any:
    """The store as a file system that sees what others write."""
    import s3fs

    return s3fs.S3FileSystem(
        key=env["AWS_ACCESS_KEY_ID"],
        secret=env["AWS_SECRET_ACCESS_KEY"],
        client_kwargs={"endpoint_url": env["AWS_ENDPOINT_URL"], "region_name": env["AWS_DEFAULT_REGION"]},
        use_listings_cache=False,
        skip_instance_cache=True,
    )


def _wait_for_workers(address: str, count: int) -> None:
    from distributed import Client

    with Client(address, set_as_default=False) as client:
        client.wait_for_workers(count, timeout=60)
        # The settings file of configs/cluster is in force on both.
        assert client.run_on_scheduler(lambda dask_scheduler: dask_scheduler.allowed_failures) == 1
        assert set(client.run(lambda: os.environ["MALLOC_TRIM_THRESHOLD_"]).values()) == {"268435456"}


def job(env: dict[str, str], leads: str, out: str, scheduler: str | None) -> subprocess.Popen[str]:
    code = (
        "import sys; from rowplane.batch import plan_batch, run_batch; from test_8_batch.jobs import QuickJob;"
        f"run_batch(plan_batch({leads!r}), {out!r}, {{}}, workers=None if {scheduler!r} else 1, scheduler={scheduler!r},"
        "make_job=QuickJob)"
    )
    return subprocess.Popen([sys.executable, "-c", code], env=env, stderr=subprocess.PIPE, text=True)


def test_a_lost_worker_costs_nothing(
    store: dict[str, str], cluster: tuple[str, list[subprocess.Popen[bytes]]], tmp_path: Path
) -> None:
    address, workers = cluster
    s3 = files(store)
    leads = make_leads(tmp_path / "leads", LEADS)
    (leads / "real-broken.laz").write_bytes(b"LASF and then nothing")
    s3.put(f"{leads}/", "night/leads/", recursive=True)

    running = job(store | {"QUICK_JOB_S": "0.5"}, "s3://night/leads", "s3://night/out", address)
    while running.poll() is None and len(s3.glob("night/out/lead-*/record.json")) < 2:
        time.sleep(0.1)
    os.killpg(workers[0].pid, signal.SIGKILL)
    _, said = running.communicate(timeout=120)
    assert running.returncode == 0, said
    assert said == ""

    alone = job(store, "s3://night/leads", str(tmp_path / "alone"), None)
    assert alone.wait(timeout=120) == 0
    s3.get("night/out/", f"{tmp_path / 'fetched'}/", recursive=True)
    fetched, expected = result_bytes(tmp_path / "fetched"), result_bytes(tmp_path / "alone")
    assert fetched.keys() == expected.keys()
    assert [name for name in expected if fetched[name] != expected[name]] == []
    assert Counter(r["lead"] for r in runs(tmp_path / "fetched")) == Counter([*LEADS, "real-broken"])
    assert len((tmp_path / "fetched" / "summary.csv").read_text().splitlines()) == 1 + len(LEADS) + 1

    again = job(store, "s3://night/leads", "s3://night/out", address)
    assert again.wait(timeout=120) == 0
    s3.get("night/out/runs.jsonl", str(tmp_path / "runs.jsonl"))
    states = Counter(r["state"] for r in runs(tmp_path)[len(LEADS) + 1 :])
    assert states == {"skipped": len(LEADS), "failed": 1}


@pytest.fixture
def small_cluster() -> Iterator[Any]:
    """A scheduler of this process that has no worker yet."""
    from distributed import LocalCluster

    with LocalCluster(
        n_workers=0, threads_per_worker=1, processes=False, dashboard_address=None,
        scheduler_kwargs={"dashboard": False, "dashboard_address": "127.0.0.1:0"}, protocol="tcp", host="127.0.0.1",
    ) as cluster:  # fmt: skip
        yield cluster


def test_a_cluster_without_workers_is_waited_for_and_said_so(small_cluster: Any, tmp_path: Path) -> None:
    heard: list[str] = []

    def say(words: str) -> None:
        heard.append(words)
        small_cluster.scale(1)

    plan, address = plan_batch(str(make_leads(tmp_path / "leads", ["a", "b"]))), small_cluster.scheduler_address
    report = run_batch(plan, str(tmp_path / "out"), {}, scheduler=address, on_words=say, make_job=QuickJob)
    assert report.verdicts["ready"] == 2
    assert heard == [f"{address} has no worker yet: waiting for one"]


def test_a_scheduler_that_goes_away_is_said_and_what_is_done_is_kept(
    small_cluster: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(engine, "ANSWER_S", 1)
    small_cluster.scale(1)
    small_cluster.wait_for_workers(1)
    plan = plan_batch(str(make_leads(tmp_path / "leads", [f"l{k}" for k in range(30)])))

    def end(outcome: dict[str, Any]) -> None:
        small_cluster.close()

    with pytest.raises(RowplaneError, match="the same command goes on from there"):
        run_batch(
            plan, str(tmp_path / "out"), {}, scheduler=small_cluster.scheduler_address, on_outcome=end, make_job=QuickJob
        )
    done = len((tmp_path / "out" / "summary.csv").read_text().splitlines()) - 1
    assert 1 <= done < 30
    assert len(runs(tmp_path / "out")) == done
    assert not list((tmp_path / "out").glob(".*"))


def test_workers_that_do_not_see_the_output_are_named(
    store: dict[str, str], cluster: tuple[str, list[subprocess.Popen[bytes]]], tmp_path: Path
) -> None:
    """A store that only the batch itself can reach stands for a folder that is not shared."""
    address, _ = cluster
    leads = make_leads(tmp_path / "leads", ["one"])
    running = job(store, str(leads), "memory://out", address)
    _, said = running.communicate(timeout=60)
    assert running.returncode == 1
    assert "does not see memory://" in said


def test_a_bucket_that_is_not_there_and_no_keys(store: dict[str, str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    out = str(tmp_path / "out")
    for key in ("AWS_ENDPOINT_URL", "AWS_ACCESS_KEY_ID", "AWS_SECRET_ACCESS_KEY", "AWS_DEFAULT_REGION"):
        monkeypatch.setitem(HERE, key, store[key])
    no_bucket = batch("s3://nowhere/leads", "--out", out, "--workers", "1", expect=2)
    assert "nothing there" in no_bucket.stderr or "no access" in no_bucket.stderr
    leads = str(make_leads(tmp_path / "leads", ["one"]))
    assert "no access" in batch(leads, "--out", "s3://nowhere/out", "--workers", "1", expect=2).stderr
    for key in ("AWS_ACCESS_KEY_ID", "AWS_SECRET_ACCESS_KEY"):
        monkeypatch.delitem(HERE, key)
    monkeypatch.setitem(HERE, "AWS_EC2_METADATA_DISABLED", "true")
    no_keys = batch(leads, "--out", "s3://night/out", "--workers", "1", expect=2)
    assert "redentials" in no_keys.stderr
    assert "Traceback" not in no_keys.stderr + no_bucket.stderr
