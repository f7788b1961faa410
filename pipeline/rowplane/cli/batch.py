"""What `batch` does: call it, show a live table on a terminal or a line per lead elsewhere, print the end."""

from __future__ import annotations

import json
import sys
import time
from collections import Counter
from typing import Any

from rowplane.errors import RowplaneError


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
    from rowplane.batch import plan_batch, run_batch

    if workers is not None and scheduler is not None:
        raise RowplaneError("--workers and --scheduler", "both", "one of them", "A scheduler has its own workers.")
    tasks = plan_batch(leads)
    if dry_run:
        _print_plan(tasks, as_json)
        return any(task.problem for task in tasks)
    with _Progress(len(tasks)) as progress:
        try:
            report = run_batch(leads, out, overrides, workers, scheduler, fresh, progress.add)
        except KeyboardInterrupt:
            print(f"stopped after {progress.done} of {len(tasks)} leads; the same command goes on from there", file=sys.stderr)
            raise
    values = {"out": out, "verdicts": report.verdicts, "skipped": report.skipped, "left": report.left}
    if as_json:
        print(json.dumps(values, indent=2))
    else:
        print(", ".join(f"{count} {verdict}" for verdict, count in report.verdicts.items()))
        print(f"{report.skipped} of them were done before" if report.skipped else f"{len(tasks)} leads run")
        print(f"result: {out} (summary.html)")
    return report.needs_a_person


def _print_plan(tasks: tuple[Any, ...], as_json: bool) -> None:
    if as_json:
        print(
            json.dumps(
                [{"lead": t.name, "place": t.place, "need_mb": t.need_mb, "problem": t.problem} for t in tasks], indent=2
            )
        )
        return
    for task in tasks:
        print(f"{task.name:<40} {task.need_mb:>7} MB  {task.problem or task.place}")


class _Progress:
    """Counts leads as they end; a live table on a terminal, a plain line per lead elsewhere."""

    def __init__(self, total: int) -> None:
        self.total, self.done = total, 0
        self._counts: Counter[str] = Counter()
        self._start = time.monotonic()
        self._live: Any = None

    def __enter__(self) -> _Progress:
        if sys.stderr.isatty():
            from rich.console import Console
            from rich.live import Live

            self._live = Live(self._table(), console=Console(stderr=True), refresh_per_second=4)
            self._live.__enter__()
        return self

    def __exit__(self, *error: object) -> None:
        if self._live:
            self._live.__exit__(*error)

    def add(self, outcome: dict[str, Any]) -> None:
        """One more lead has ended."""
        self.done += 1
        verdict = outcome["row"]["verdict"]
        self._counts[verdict] += 1
        if self._live:
            self._live.update(self._table())
        else:
            before = " (done before)" if outcome["state"] == "skipped" else ""
            line = f"{self.done}/{self.total} {outcome['lead']}: {verdict}{before}: {outcome['row']['reason']}"
            print(line, file=sys.stderr, flush=True)

    def _table(self) -> Any:
        from rich.table import Table

        table = Table("done", "left", "ready", "site-check", "not suitable", "failed", "time left")
        spent = time.monotonic() - self._start
        left = self.total - self.done
        eta = f"{spent / self.done * left / 60:.1f} min" if self.done else "…"
        shown = [self._counts[v] for v in ("ready", "site-check", "not-suitable", "failed")]
        table.add_row(str(self.done), str(left), *map(str, shown), eta)
        return table
