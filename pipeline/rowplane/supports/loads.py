"""What pulls, presses and slides at every hook: dead load and design pressures through the rail as a beam."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from rowplane.model import Array

GRAVITY = 9.80665
"""m/s², standard value (3rd CGPM, 1901)."""


@dataclass(frozen=True)
class Case:
    """One load case of a rail.

    `normal_Pa` towards the roof, `(feet,)` or `(feet, hooks)` where it depends on the area a hook carries; `along_Pa` down
    the slope, per module area; `dead` the factor on the modules' weight. `pulls` where the case is about uplift.
    """

    pulls: bool
    normal_Pa: Array
    along_Pa: float
    dead: float


@dataclass(frozen=True)
class HookForces:
    """Greatest forces over all cases at each hook of a rail `(hooks,)`, N; NaN where no case asks for them.

    `foot_N` holds per case what each foot presses with `(feet,)`.
    """

    uplift_N: Array
    down_N: Array
    downslope_N: Array
    foot_N: tuple[Array, ...]


def hook_forces(
    cases: Sequence[Case], influence: Array, areas_m2: Array, masses_kg: Array, pitch_rad: float, seated_N: Array
) -> HookForces:
    """Forces at the hooks of one rail. `influence` `(feet, hooks)`; `seated_N` the reactions that uneven seats leave.

    By reciprocity a load on a foot reaches a hook with the influence that the hook's seat has on the foot. The rail is
    stiff along itself: what slides is shared equally by its hooks. What was not asked is NaN: a case that presses says
    nothing of uplift, even where it lifts a hook at a rail's end, unless uplift was screened too.
    """
    hooks = influence.shape[1]
    up, down, slides, on_feet = np.full(hooks, np.nan), np.full(hooks, np.nan), [], []
    weight = masses_kg * GRAVITY
    reactions = []
    for case in cases:
        pressed = case.normal_Pa if case.normal_Pa.ndim == 2 else np.repeat(case.normal_Pa[:, None], hooks, axis=1)
        foot = pressed * areas_m2[:, None] + case.dead * weight[:, None] * np.cos(pitch_rad)
        reactions.append((influence * foot).sum(axis=0) + seated_N)
        # For the rail itself the heaviest of the pressures that its hooks were given.
        heaviest = np.abs(foot).argmax(axis=1)
        on_feet.append(foot[np.arange(len(foot)), heaviest])
        if not case.pulls:
            slides.append(case.along_Pa * areas_m2.sum() + case.dead * weight.sum() * np.sin(pitch_rad))
    every = np.array(reactions)
    if any(c.pulls for c in cases):
        up = np.maximum(0.0, -every.min(axis=0))
    if any(not c.pulls for c in cases):
        down = np.maximum(0.0, every.max(axis=0))
    slide = np.full(hooks, max(slides) / hooks if slides else np.nan)
    return HookForces(up, down, slide, tuple(on_feet))


def snow_parts(projected: float, pitch_deg: float) -> tuple[float, float]:
    """A load per horizontal area as load per slope area: square to the slope (cos²) and down it (sin cos)."""
    a = np.radians(pitch_deg)
    return float(projected * np.cos(a) ** 2), float(projected * np.sin(a) * np.cos(a))
