"""Where tasks run: in this process, on a cluster this process starts, or on one that is there already.

Tasks and outcomes are small plain values: paths travel, never arrays. A worker runs one lead at a time, so that a lead
that kills its worker costs itself only; it is tried once more, alone, before it counts as failed.
"""

from __future__ import annotations

import asyncio
import logging
import re
import signal
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from itertools import islice
from typing import Any

from rowplane import __version__
from rowplane.batch.tasks import Task
from rowplane.batch.work import Job, Outcome
from rowplane.errors import RowplaneError

LOST = "Its worker was lost twice while it ran: a crash, a hang inside a library, or more memory than there is."
GONE = ("scheduler", "it went away", "one that stays", "Start it again; the same command goes on from there.")
SHARE = 0.9
"""Of the memory that is free, what workers may take together."""
CLUSTER = {
    # The lead that lost its worker is known at once, and tried again alone: see _flow.
    "distributed.scheduler.allowed-failures": 0,
    "distributed.comm.timeouts.connect": "30s",
    # A worker that dies again just when its last death is looked into would be given up for good, and no one come after.
    "distributed.deploy.lost-worker-timeout": "10000h",
    # A worker holds no data between leads: pausing it would only stop the night.
    "distributed.worker.memory.target": False,
    "distributed.worker.memory.spill": False,
    "distributed.worker.memory.pause": False,
    "distributed.worker.memory.terminate": 0.95,
    # Watching its own loops every few milliseconds costs a tenth of a core, and nobody looks at the figures.
    "distributed.worker.profile.enabled": False,
    "distributed.admin.tick.interval": "500ms",
    "distributed.admin.system-monitor.interval": "5s",
    # Handing every freed block back to the system (the library's default, 64 kB) doubled the time of a lead.
    "distributed.nanny.pre-spawn-environ": {
        "MALLOC_TRIM_THRESHOLD_": 268_435_456,
        "MALLOC_MMAP_THRESHOLD_": 33_554_432,
        "OMP_NUM_THREADS": 1,
        "OPENBLAS_NUM_THREADS": 1,
        "MKL_NUM_THREADS": 1,
    },
}
"""How workers of this machine are run."""
ANSWER_S = 10
"""A scheduler that does not answer for so long is not there."""
BACKLOG = 8
"""Leads that wait on an existing cluster beyond two per worker: a cluster that grows with its load has to see some."""


def run_here(job: Job, tasks: Sequence[Task], on_start: Callable[[str], None]) -> Iterator[Outcome]:
    """One after the other in this process."""
    for task in tasks:
        on_start(task.name)
        yield job(task)


def run_on_own_cluster(
    job: Job, tasks: Sequence[Task], workers: int | None, on_start: Callable[[str], None]
) -> Iterator[Outcome]:
    """On workers of this machine, as many as cores and memory allow (or `workers`).

    Leads that need more than a worker's share, and those whose worker was lost, come last, one at a time with all memory:
    an estimate from a header may be wrong.
    """
    free_mb = free_memory_mb()
    count = worker_count(tasks, workers, free_mb)
    share_mb = free_mb * SHARE / count
    light = [t for t in tasks if t.need_mb <= share_mb]
    heavy = [t for t in tasks if t.need_mb > share_mb]
    lost: list[Task] = []
    if light:
        with _cluster(min(count, len(light)), int(share_mb)) as client:
            for task, outcome in _spread(client, job, light, on_start, lambda threads: threads):
                if outcome is None:
                    lost.append(task)
                else:
                    yield outcome
    if heavy or lost:
        with _cluster(1, int(free_mb * SHARE)) as client:
            yield from _flow(client, job, heavy, on_start, lambda threads: threads, lost)


def worker_count(tasks: Sequence[Task], workers: int | None, free_mb: float) -> int:
    """Workers for these tasks: what was asked for, else what cores allow and memory for three leads in four allows."""
    from dask.system import CPU_COUNT

    if workers is not None:
        return workers
    ordinary_mb = sorted(t.need_mb for t in tasks)[(3 * len(tasks)) // 4]
    return max(1, min(int(CPU_COUNT), len(tasks), int(free_mb * SHARE // ordinary_mb)))


def run_on_scheduler(
    job: Job, tasks: Sequence[Task], scheduler: str, on_start: Callable[[str], None], on_words: Callable[[str], None]
) -> Iterator[Outcome]:
    """On a cluster that is there. Raises RowplaneError where no scheduler answers or its workers cannot do the job."""
    from distributed import Client

    _quiet()
    _check_scheduler(scheduler)
    with Client(scheduler, timeout=f"{ANSWER_S}s", set_as_default=False) as client:
        _check_workers(client, job, scheduler)
        if not client.nthreads():
            on_words(f"{scheduler} has no worker yet: waiting for one")
        yield from _flow(client, job, tasks, on_start, lambda threads: 2 * threads + BACKLOG)


def _check_scheduler(scheduler: str) -> None:
    """Shake hands with it first: a client that fails half-way, or meets something that is no scheduler, leaves a traceback."""
    from distributed.comm import connect
    from distributed.security import Security

    subject, allowed, hint = f"--scheduler {scheduler}", "tcp://host:port of a scheduler", "Start one: dask scheduler"
    if not re.fullmatch(r"(tcp|tls|ws|wss)://[^\s/]+:\d{1,5}", scheduler):
        raise RowplaneError(subject, "no address", allowed, hint)

    async def shake_hands() -> None:
        comm = await connect(scheduler, timeout=ANSWER_S, **Security().get_connection_args("client"))
        await comm.close()

    async def in_time() -> None:
        await asyncio.wait_for(shake_hands(), ANSWER_S + 1)  # the greeting itself is waited for without end

    try:
        # In a thread of its own: the caller's may have an event loop running, as a notebook's does.
        with ThreadPoolExecutor(1) as thread:
            thread.submit(asyncio.run, in_time()).result()
    except OSError as error:
        words = " ".join(str(error).split())[:160] or "it is silent"
        raise RowplaneError(subject, f"no answer ({words})", allowed, hint) from None
    except Exception:  # the answer of something else is read as whatever it may mean
        raise RowplaneError(subject, "something that answers, but not as a scheduler does", allowed, hint) from None


def free_memory_mb() -> float:
    """Memory this machine can give now, MB; a container's limit counts."""
    import psutil
    from distributed.system import MEMORY_LIMIT

    return float(min(MEMORY_LIMIT, psutil.virtual_memory().available)) / 1e6


def sees_output(out: str, run_id: str) -> tuple[str, bool]:
    """On a worker: its version, and whether the output it would write to is the one this batch has locked."""
    from rowplane.batch.ledger import LOCK
    from rowplane.batch.places import open_place

    try:
        fs, root = open_place(out)
        return __version__, run_id in fs.cat_file(f"{root}/{LOCK}").decode()
    except Exception:  # whatever is wrong: it does not see it
        return __version__, False


def _check_workers(client: Any, job: Job, scheduler: str) -> None:
    """Words before the first lead where workers lack the package, have another version, or do not see the output."""
    subject = f"--scheduler {scheduler}"
    try:
        seen = client.run(sees_output, job.out, job.run_id, on_error="return")
    except Exception as error:  # what a worker without the package does to the call differs between versions
        seen = {"a worker": error}
    for worker, answer in seen.items():
        if isinstance(answer, BaseException):
            found = f"worker {worker} that cannot run rowplane ({' '.join(str(answer).split())[:120]})"
            raise RowplaneError(subject, found, f"rowplane {__version__} on every worker", "pip install rowplane there.")
        version, sees = answer
        if version != __version__:
            found = f"worker {worker} with rowplane {version}"
            raise RowplaneError(subject, found, f"rowplane {__version__}, as here", "Install one version everywhere.")
        if not sees:
            found = f"worker {worker} that does not see {job.out}"
            raise RowplaneError(subject, found, "an output that all workers reach", "Use a shared folder or a URL.")


@contextmanager
def _cluster(workers: int, limit_mb: int) -> Iterator[Any]:
    import dask
    from distributed import Client, LocalCluster

    _quiet()
    with (
        dask.config.set(CLUSTER),
        LocalCluster(
            n_workers=workers, threads_per_worker=1, processes=True, memory_limit=f"{limit_mb}MB", host="127.0.0.1",
            silence_logs=logging.CRITICAL,
            # Its own port, or a second batch on this machine would warn that the usual one is taken.
            scheduler_kwargs={"dashboard": False, "dashboard_address": "127.0.0.1:0"},
        ) as cluster,
        Client(cluster, set_as_default=False) as client,
    ):  # fmt: skip
        client.register_plugin(_plugin())
        yield client


def _plugin() -> Any:
    from distributed import WorkerPlugin

    class LeaveInterrupts(WorkerPlugin):  # type: ignore[misc]
        """^C on a terminal reaches the workers too; the batch ends them in order."""

        name = "leave-interrupts"

        def setup(self, worker: Any) -> None:
            signal.signal(signal.SIGINT, signal.SIG_IGN)

    return LeaveInterrupts()


def _quiet() -> None:
    # Lost workers are reported with the lead they cost; the library's own log would say it again, at length.
    for name in ("distributed", *(f"distributed.{part}" for part in ("nanny", "worker", "scheduler", "core", "client"))):
        logging.getLogger(name).setLevel(logging.CRITICAL)


def _flow(
    client: Any,
    job: Job,
    tasks: Sequence[Task],
    on_start: Callable[[str], None],
    width: Callable[[int], int],
    lost_before: Sequence[Task] = (),
) -> Iterator[Outcome]:
    """Outcomes as leads end. A lead whose worker was lost comes last, one at a time: then nobody else can be to blame."""
    lost = [*lost_before]
    for task, outcome in _spread(client, job, tasks, on_start, width):
        if outcome is None:
            lost.append(task)
        else:
            yield outcome
    for task in lost:
        outcome = None if job.note(task) else _alone(client, job, task, on_start)
        words = job.note(task) or LOST
        yield outcome or _alone(client, _Fail(job, words), task, on_start) or job.fail(task, words, picture=False)


class _Fail:
    """A job that only hands in the failure of a lead, with its picture."""

    def __init__(self, job: Job, words: str) -> None:
        self.job, self.words = job, words

    def __call__(self, task: Task) -> Outcome:
        return self.job.fail(task, self.words)


def _alone(client: Any, job: Job | _Fail, task: Task, on_start: Callable[[str], None]) -> Outcome | None:
    return next(_spread(client, job, [task], on_start, lambda threads: 1))[1]


def _spread(
    client: Any, job: Job | _Fail, tasks: Sequence[Task], on_start: Callable[[str], None], width: Callable[[int], int]
) -> Iterator[tuple[Task, Outcome | None]]:
    """Each task with its outcome as it ends, None where its worker was lost; `width` of all threads are under way."""
    from distributed import as_completed

    waiting = iter(tasks)
    running = as_completed(loop=client.loop)
    of_key: dict[str, Task] = {}

    def fill() -> None:
        room = max(1, width(_threads(client))) - len(of_key)
        for task in islice(waiting, max(0, room)):
            future = client.submit(job, task, pure=False)
            of_key[future.key] = task
            running.add(future)
            on_start(task.name)

    fill()
    for future in running:
        task = of_key.pop(future.key)
        yield task, _ended(future, job, task)
        future.release()
        fill()


def _threads(client: Any) -> int:
    try:
        return sum(client.nthreads().values())
    except Exception:  # a client whose scheduler is gone says so in more than one way
        raise RowplaneError(*GONE) from None


def _ended(future: Any, job: Job | _Fail, task: Task) -> Outcome | None:
    from distributed import KilledWorker

    if future.status == "finished":
        outcome: Outcome = future.result()
        return outcome
    if future.status != "error":
        raise RowplaneError(*GONE)
    error = future.exception()
    if isinstance(error, KilledWorker):
        return None
    plain = job.job if isinstance(job, _Fail) else job
    return plain.fail(task, f"A worker could not take it: {type(error).__name__}: {error}", picture=False)
