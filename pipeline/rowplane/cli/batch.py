"""What `batch` does: call it, show a live table on a terminal or a line per lead elsewhere, print the end."""

from __future__ import annotations

import json
import os
import signal
import sys
import time
from collections import Counter
from types import FrameType
from typing import Any

from rowplane.errors import RowplaneError, shown

ONE_THREAD = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS", "VECLIB_MAXIMUM_THREADS")
"""Numeric libraries keep to one thread: leads run side by side instead, and sums come out the same on every machine."""


def run_leads(
    leads: str,
    out: str,
    overrides: dict[str, str],
    workers: int | None,
    scheduler: str | None,
    fresh: bool,
    dry_run: bool,
    as_json: bool,
) -> bool:
    """A night's leads; True unless every one is ready. Raises RowplaneError before anything is run."""
    os.environ.update(dict.fromkeys(ONE_THREAD, "1"))
    from rowplane.batch import plan_batch, run_batch

    if workers is not None and scheduler is not None:
        raise RowplaneError("--workers and --scheduler", "both", "one of them", "A scheduler has its own workers.")
    plan = plan_batch(leads)
    if plan.left_out:
        print(f"no leads, left out: {shown(', '.join(plan.left_out))}", file=sys.stderr)
    if dry_run:
        _print_plan(plan.tasks, as_json)
        return any(task.problem for task in plan.tasks)
    # A job queue ends a batch with this signal; it stops as in order as for ^C.
    signal.signal(signal.SIGTERM, _stop)
    with _Progress(len(plan.tasks)) as progress:
        try:
            report = run_batch(
                plan, out, overrides, workers, scheduler, fresh, progress.start, progress.add, progress.say
            )
        except KeyboardInterrupt:
            progress.stop()
            words = f"stopped after {progress.done} of {progress.total} leads; the same command goes on from there"
            print(words, file=sys.stderr)
            raise
    values = {"out": out, "verdicts": report.verdicts, "skipped": report.skipped}
    if as_json:
        print(json.dumps(values, indent=2))
    else:
        print(", ".join(f"{count} {verdict}" for verdict, count in report.verdicts.items()))
        print(f"run now: {progress.done - report.skipped}, done before: {report.skipped}")
        print(f"result: {out} (summary.html)")
    return report.needs_a_person


def _stop(_signal: int, _frame: FrameType | None) -> None:
    raise KeyboardInterrupt


def _print_plan(tasks: tuple[Any, ...], as_json: bool) -> None:
    if as_json:
        rows = [{"lead": t.name, "place": t.place, "need_mb": t.need_mb, "problem": t.problem} for t in tasks]
        print(json.dumps(rows, indent=2))
        return
    for task in tasks:
        print(f"{task.name:<40} {task.need_mb:>7} MB  {task.problem or task.place}")


class _Progress:
    """Counts leads as they begin and end; a live table on a terminal, a plain line per lead elsewhere."""

    def __init__(self, total: int) -> None:
        self.total, self.done = total, 0
        self._counts: Counter[str] = Counter()
        self._running: dict[str, None] = {}
        self._start = time.monotonic()
        self._live: Any = None

    def __enter__(self) -> _Progress:
        if sys.stderr.isatty():
            from rich.console import Console
            from rich.live import Live

            self._live = Live(get_renderable=self._table, console=Console(stderr=True), refresh_per_second=2)
            self._live.__enter__()
        return self

    def __exit__(self, *_: object) -> None:
        self.stop()

    def stop(self) -> None:
        """End the live table, so that words below it stand."""
        if self._live:
            self._live.__exit__(None, None, None)
            self._live = None

    def start(self, lead: str) -> None:
        """One more lead is under way."""
        self._running[lead] = None

    def add(self, outcome: dict[str, Any]) -> None:
        """One more lead has ended."""
        self.done += 1
        self._running.pop(outcome["lead"], None)
        verdict = outcome["row"]["verdict"]
        self._counts[verdict] += 1
        if not self._live:
            before = " (done before)" if outcome["state"] == "skipped" else ""
            line = f"{self.done}/{self.total} {outcome['lead']}: {verdict}{before}: {outcome['row']['reason']}"
            print(line, file=sys.stderr, flush=True)

    def say(self, words: str) -> None:
        """Something a person should know while the batch runs."""
        if self._live:
            self._live.console.print(words, markup=False)
        else:
            print(words, file=sys.stderr, flush=True)

    def _table(self) -> Any:
        from rich.table import Table

        table = Table("done", "running", "left", "ready", "site-check", "not suitable", "failed", "time left")
        spent = time.monotonic() - self._start
        left = self.total - self.done
        eta = f"{spent / self.done * left / 60:.1f} min" if self.done else "…"
        counted = [self._counts[v] for v in ("ready", "site-check", "not-suitable", "failed")]
        table.add_row(f"{self.done} of {self.total}", str(len(self._running)), str(left), *map(str, counted), eta)
        names = ", ".join(list(dict(self._running))[:4])
        table.caption = f"now: {names}" if names else None
        return table
