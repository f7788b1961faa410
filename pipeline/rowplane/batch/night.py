"""The whole of a batch, in order: plan, lock, run, log, sum up."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass

from rowplane.batch.engine import run_here, run_on_own_cluster, run_on_scheduler
from rowplane.batch.ledger import Ledger
from rowplane.batch.summary import counts, summary_files
from rowplane.batch.tasks import Task, plan_tasks
from rowplane.batch.work import Job, Outcome


@dataclass(frozen=True)
class BatchReport:
    """What came of a batch: leads by verdict, how many were skipped as done before, how many never came to be run."""

    verdicts: dict[str, int]
    skipped: int
    left: int

    @property
    def needs_a_person(self) -> bool:
        """True unless every lead is ready."""
        return self.left > 0 or any(count for verdict, count in self.verdicts.items() if verdict != "ready")


def plan_batch(leads: str) -> tuple[Task, ...]:
    """What a batch would do; reads names and headers only."""
    return plan_tasks(leads)


def run_batch(
    leads: str,
    out: str,
    overrides: Mapping[str, str],
    workers: int | None = None,
    scheduler: str | None = None,
    fresh: bool = False,
    on_outcome: Callable[[Outcome], None] | None = None,
) -> BatchReport:
    """Run every lead of LEADS into `<out>/<lead>/` and sum up; leads whose result stands are skipped unless `fresh`.

    `workers` 1 runs in this process, None sizes a cluster of this machine; `scheduler` is the address of an existing one.
    `on_outcome` hears of each lead as it ends. An interrupt sums up what is done and is raised again. Raises RowplaneError
    where LEADS, `out` or the scheduler cannot be used.
    """
    tasks = plan_tasks(leads)
    outcomes: list[Outcome] = []
    with Ledger(out) as ledger:
        job = Job(ledger.out, ledger.run_id, tuple(overrides.items()), fresh)
        try:
            for outcome in _outcomes(job, tasks, workers, scheduler):
                ledger.add({key: value for key, value in outcome.items() if key != "thumb"})
                outcomes.append(outcome)
                if on_outcome:
                    on_outcome(outcome)
        finally:
            for name, content in summary_files(outcomes).items():
                ledger.write(name, content)
    skipped = sum(o["state"] == "skipped" for o in outcomes)
    return BatchReport(counts(outcomes), skipped, len(tasks) - len(outcomes))


def _outcomes(job: Job, tasks: tuple[Task, ...], workers: int | None, scheduler: str | None) -> Iterator[Outcome]:
    if scheduler is not None:
        return run_on_scheduler(job, tasks, scheduler)
    if workers == 1 or len(tasks) == 1:
        return run_here(job, tasks)
    return run_on_own_cluster(job, tasks, workers)
