"""What each stage costs: seconds and peak memory, for the record and for progress on the screen."""

from __future__ import annotations

import sys
import time
from collections.abc import Callable
from typing import ParamSpec, TypeVar

from rowplane.model import StageCost

P = ParamSpec("P")
T = TypeVar("T")


class Watch:
    """Calls stages and keeps their cost in the order of the calls."""

    def __init__(self, on_stage: Callable[[StageCost], None] | None = None) -> None:
        self._costs: list[StageCost] = []
        self._on_stage = on_stage

    def __call__(self, stage: Callable[P, T], *args: P.args, **kwargs: P.kwargs) -> T:
        """Run one stage; its value is handed through, its errors too."""
        start = time.perf_counter()
        value = stage(*args, **kwargs)
        cost = StageCost(stage.__name__, time.perf_counter() - start, peak_memory_mb())
        self._costs.append(cost)
        if self._on_stage:
            self._on_stage(cost)
        return value

    @property
    def costs(self) -> tuple[StageCost, ...]:
        """Cost of every call so far."""
        return tuple(self._costs)


def peak_memory_mb() -> float:
    """Peak resident memory of this process so far, MB; NaN where the system does not tell."""
    try:
        import resource
    except ImportError:
        return float("nan")
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    return peak / (1e6 if sys.platform == "darwin" else 1e3)
