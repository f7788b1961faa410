"""Where tasks run: in this process, on a cluster this process starts, or on one that is there already.

Tasks and outcomes are small plain values: paths travel, never arrays. A worker runs one lead at a time, so that a lead
that kills its worker costs itself only; it is tried once more elsewhere before it counts as failed.
"""

from __future__ import annotations

import logging
import os
from collections.abc import Iterator
from contextlib import contextmanager
from itertools import islice
from typing import Any

from rowplane.batch.tasks import BASE_MB, Task
from rowplane.batch.work import Job, Outcome, hand_in_failure
from rowplane.errors import RowplaneError

AHEAD = 3
"""Tasks in flight per worker: enough to keep it busy, few enough that a thousand leads do not fill the client."""
LOST = "Its worker was lost twice (a crash, or more memory than there is)."


def run_here(job: Job, tasks: tuple[Task, ...]) -> Iterator[Outcome]:
    """One after the other in this process."""
    for task in tasks:
        yield job(task)


def run_on_own_cluster(job: Job, tasks: tuple[Task, ...], workers: int | None) -> Iterator[Outcome]:
    """On workers of this machine, as many as cores and memory allow (or `workers`); the heaviest leads one at a time."""
    free_mb = memory_mb()
    count = workers or max(1, min(os.cpu_count() or 1, int(free_mb // (2 * BASE_MB))))
    share = int(free_mb * 0.9 / count)
    light = tuple(t for t in tasks if t.need_mb <= share)
    heavy = tuple(t for t in tasks if t.need_mb > share)
    for group, size in ((light, count), (heavy, 1)):
        if group:
            with _cluster(min(size, len(group)), int(free_mb * 0.9 / size)) as client:
                yield from _flow(client, job, group)


def run_on_scheduler(job: Job, tasks: tuple[Task, ...], address: str) -> Iterator[Outcome]:
    """On a cluster that is there. Raises RowplaneError where no scheduler answers."""
    from distributed import Client

    _quiet()
    try:
        client = Client(address, timeout="10s", set_as_default=False)
    except (OSError, ValueError) as error:
        words = " ".join(str(error).split())[:160]
        raise RowplaneError(
            f"--scheduler {address}", f"no answer ({words})", "tcp://host:port of a scheduler", "Start one: dask scheduler"
        ) from None
    with client:
        yield from _flow(client, job, tasks)


def memory_mb() -> float:
    """Memory this machine can give, MB; a container's limit counts."""
    from distributed.system import MEMORY_LIMIT

    return float(MEMORY_LIMIT) / 1e6


@contextmanager
def _cluster(workers: int, limit_mb: int) -> Iterator[Any]:
    import dask
    from distributed import Client, LocalCluster

    _quiet()
    # One more try after a lost worker, then the lead has failed.
    with (
        dask.config.set({"distributed.scheduler.allowed-failures": 1, "distributed.comm.timeouts.connect": "30s"}),
        LocalCluster(
            n_workers=workers, threads_per_worker=1, processes=True, memory_limit=f"{limit_mb}MB", dashboard_address=None,
            silence_logs=logging.CRITICAL, host="127.0.0.1",
        ) as cluster,
        Client(cluster, set_as_default=False) as client,
    ):  # fmt: skip
        yield client


def _quiet() -> None:
    # Lost workers are reported with the lead they cost; the library's own log would say it again, at length.
    for name in ("distributed", "distributed.nanny", "distributed.worker", "distributed.scheduler", "distributed.core"):
        logging.getLogger(name).setLevel(logging.CRITICAL)


def _flow(client: Any, job: Job, tasks: tuple[Task, ...]) -> Iterator[Outcome]:
    from distributed import as_completed

    width = AHEAD * max(1, len(client.scheduler_info(n_workers=-1)["workers"]))
    waiting = iter(tasks)
    running = as_completed()
    of_key: dict[str, Task] = {}

    def submit(task: Task) -> None:
        key = f"{task.name}-{job.run_id}"
        of_key[key] = task
        running.add(client.submit(job, task, key=key, pure=False))

    for task in islice(waiting, width):
        submit(task)
    for future in running:
        task = of_key.pop(future.key)
        yield future.result() if future.status == "finished" else {**hand_in_failure(job, task, LOST), "seconds": 0.0}
        future.release()
        for following in islice(waiting, 1):
            submit(following)
