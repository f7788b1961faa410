"""The whole of a batch, in order: plan, lock, run, log, sum up."""

from __future__ import annotations

import signal
import threading
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass

from rowplane.batch.engine import run_here, run_on_own_cluster, run_on_scheduler
from rowplane.batch.ledger import Ledger
from rowplane.batch.places import is_local, open_place
from rowplane.batch.summary import counts, kept, summary_files
from rowplane.batch.tasks import Plan, Task, check_settings, plan_tasks
from rowplane.batch.work import Job, Outcome
from rowplane.errors import RowplaneError


@dataclass(frozen=True)
class BatchReport:
    """What came of a batch: leads by verdict, how many were skipped as done before."""

    verdicts: dict[str, int]
    skipped: int

    @property
    def needs_a_person(self) -> bool:
        """True unless every lead is ready."""
        return any(count for verdict, count in self.verdicts.items() if verdict != "ready")


def plan_batch(leads: str) -> Plan:
    """What a batch would do; reads names and headers only."""
    return plan_tasks(leads)


def run_batch(
    plan: Plan,
    out: str,
    overrides: Mapping[str, str],
    workers: int | None = None,
    scheduler: str | None = None,
    fresh: bool = False,
    on_start: Callable[[str], None] = lambda name: None,
    on_outcome: Callable[[Outcome], None] = lambda outcome: None,
    on_words: Callable[[str], None] = lambda words: None,
    make_job: Callable[..., Job] = Job,
) -> BatchReport:
    """Run every lead of the plan into `<out>/<lead>/` and sum up; leads whose result stands are skipped unless `fresh`.

    `workers` 1 runs in this process, None sizes a cluster of this machine; `scheduler` is the address of an existing one.
    `on_start` and `on_outcome` hear of each lead as it begins and ends, `on_words` of what else a person should know while
    it runs. An interrupt sums up what is done and is raised again. Raises RowplaneError where `out`, the scheduler
    or an override cannot be used.
    """
    check_settings(overrides, lambda name: f"--set {name}")
    _refuse_leads_as_output(plan, out)
    outcomes: list[Outcome] = []
    with Ledger(out, (task.name for task in plan.tasks)) as ledger:
        job = make_job(ledger.out, ledger.run_id, tuple(overrides.items()), fresh)
        try:
            for outcome in _outcomes(job, plan.tasks, workers, scheduler, on_start, on_words):
                with _undisturbed():
                    ledger.add({key: value for key, value in outcome.items() if key not in ("thumb", "parts")})
                    outcomes.append(kept(outcome, len(plan.tasks)))
                on_outcome(outcome)
        finally:
            if outcomes:
                for name, content in summary_files(outcomes, len(plan.tasks)).items():
                    ledger.write(name, content)
    return BatchReport(counts(outcomes), sum(o["state"] == "skipped" for o in outcomes))


@contextmanager
def _undisturbed() -> Iterator[None]:
    """Hold an interrupt back until the block is done: a lead is in both the log and the summary, or in neither."""
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    came: list[int] = []
    before = signal.signal(signal.SIGINT, lambda number, frame: came.append(number))
    try:
        yield
    finally:
        signal.signal(signal.SIGINT, before)
    if came:
        raise KeyboardInterrupt


def _outcomes(
    job: Job,
    tasks: Sequence[Task],
    workers: int | None,
    scheduler: str | None,
    on_start: Callable[[str], None],
    on_words: Callable[[str], None],
) -> Iterator[Outcome]:
    if scheduler is not None:
        return run_on_scheduler(job, tasks, scheduler, on_start, on_words)
    if workers == 1:
        return run_here(job, tasks, on_start)
    return run_on_own_cluster(job, tasks, workers, on_start)


def _refuse_leads_as_output(plan: Plan, out: str) -> None:
    # Results take the leads' names: in the leads' own folder they would stand where the leads are.
    fs, root = open_place(out)
    for task in plan.tasks:
        if task.place and is_local(fs) and open_place(task.place)[1].rpartition("/")[0] == root:
            raise RowplaneError(f"--out {out}", "the folder of the leads", "another folder", "Give one beside it.")
