"""What pulls, presses and slides at every hook: dead load and design pressures through the rail as a beam."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from rowplane.config import SiteConfig
from rowplane.model import Array

GRAVITY = 9.80665
"""m/s², standard value (3rd CGPM, 1901)."""


@dataclass(frozen=True)
class Case:
    """One load case of a rail.

    `normal_Pa` towards the roof, `(feet,)` or `(feet, hooks)` where it depends on the area a hook carries; `along_Pa` down
    the slope, per module area; `dead` the factor on the modules' weight.
    """

    name: str
    normal_Pa: Array
    along_Pa: float
    dead: float


@dataclass(frozen=True)
class HookForces:
    """Greatest forces over all cases at each hook of a rail `(hooks,)`, N, and what each foot presses with, per case."""

    uplift_N: Array
    down_N: Array
    downslope_N: Array
    foot_N: tuple[Array, ...]


def direct_cases(site: SiteConfig, feet: int) -> tuple[Case, ...]:
    """Cases of pressures given directly. The modules' weight is added to what presses; it is no relief to what pulls."""
    cases = []
    if site.pressure_up_Pa is not None:
        cases.append(Case("uplift", np.full(feet, -site.pressure_up_Pa), 0.0, 0.0))
    if site.pressure_down_Pa is not None:
        cases.append(Case("down", np.full(feet, site.pressure_down_Pa), site.pressure_downslope_Pa, 1.0))
    return tuple(cases)


def hook_forces(
    cases: Sequence[Case], influence: Array, areas_m2: Array, masses_kg: Array, pitch_rad: float, seated_N: Array
) -> HookForces:
    """Forces at the hooks of one rail. `influence` `(feet, hooks)`; `seated_N` the reactions that uneven seats leave.

    By reciprocity a load on a foot reaches a hook with the influence that the hook's seat has on the foot. The rail is
    stiff along itself: what slides is shared equally by its hooks. NaN everywhere without cases.
    """
    feet, hooks = influence.shape
    if not cases:
        nothing = np.full(hooks, np.nan)
        return HookForces(nothing, nothing.copy(), nothing.copy(), ())
    weight = masses_kg * GRAVITY
    uplift, down, slide, on_feet = np.zeros(hooks), np.zeros(hooks), 0.0, []
    for case in cases:
        pressed = case.normal_Pa if case.normal_Pa.ndim == 2 else np.repeat(case.normal_Pa[:, None], hooks, axis=1)
        foot = pressed * areas_m2[:, None] + case.dead * weight[:, None] * np.cos(pitch_rad)
        reaction = (influence * foot).sum(axis=0) + seated_N
        uplift, down = np.maximum(uplift, -reaction), np.maximum(down, reaction)
        along = case.along_Pa * areas_m2.sum() + case.dead * weight.sum() * np.sin(pitch_rad)
        slide = max(slide, along)
        on_feet.append(np.asarray(foot[:, 0] if case.normal_Pa.ndim == 1 else foot.min(axis=1)))
    return HookForces(uplift, down, np.full(hooks, slide / hooks), tuple(on_feet))
