"""Many mutants through one reader, and what came of them."""

from __future__ import annotations

import time
from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass, field
from pathlib import Path

from fuzz.guard import End, Guard
from fuzz.mutations import mutant
from fuzz.originals import CASES

JOBS = {"scan": "job", "lead": "lead_job", "result": "result_job"}
"""Readers behind which the whole job can follow."""


@dataclass
class Caught:
    """Ends by kind, the longest time and the most memory of one input, and what no user may meet: seed, end, kept file."""

    ends: Counter[str] = field(default_factory=Counter)
    seconds: float = 0.0
    grown_mb: float = 0.0
    mean_s: float = 0.0
    bad: list[tuple[int, End, Path]] = field(default_factory=list)

    def row(self, name: str) -> str:
        """One line of the table."""
        return (
            f"{name:<11}{sum(self.ends.values()):>7}{self.ends['value']:>7}{self.ends['words']:>7}{len(self.bad):>6}"
            f"{self.seconds:>8.1f}{self.grown_mb:>8.0f}{self.mean_s * 1000:>8.1f}"
        )


HEAD = f"{'reader':<11}{'inputs':>7}{'value':>7}{'words':>7}{'bad':>6}{'most s':>8}{'+ MB':>8}{'mean ms':>8}"


def hunt(name: str, seeds: Iterable[int], folder: Path, guard: Guard, whole_job: bool = False) -> Caught:
    """Mutants of one case; files of bad ends stay in `folder`. With `whole_job` what can be read goes on to the sheets."""
    case, caught = CASES[name], Caught()
    place = folder / name
    for beside, content in case.beside().items():
        (place / beside).parent.mkdir(parents=True, exist_ok=True)
        (place / beside).write_bytes(content)
    place.mkdir(parents=True, exist_ok=True)
    start = time.monotonic()
    for seed in seeds:
        path = place / f"{seed}.{case.ending}"
        path.write_bytes(mutant(case.ending, seed, case.originals()))
        end = guard(case.reader, path)
        if whole_job and end.how == "value" and case.reader in JOBS:
            end = guard(JOBS[case.reader], path)
        caught.ends[end.how] += 1
        caught.seconds, caught.grown_mb = max(caught.seconds, end.seconds), max(caught.grown_mb, end.grown_mb)
        if end.allowed:
            path.unlink()
        else:
            caught.bad.append((seed, end, path))
    caught.mean_s = (time.monotonic() - start) / max(sum(caught.ends.values()), 1)
    return caught
