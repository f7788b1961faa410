"""Levelling: the best common plane per array, one number per foot, and a loop with the roof.

basis.py       what each array's levelling rests on: seats, covariance, geometry, limits
program.py     the array plane as a linear or integer program
setting.py     plane → lift, quarter turns, packers
sigma.py       how sure each foot is; how likely all end within tolerance
string_line.py sag, expected gaps, longest string
glance.py      steps, kinks, twist
measure.py     what to measure, in the order of worth
observe.py     how a reading hangs together with the hook seats
cures.py       when no plane works
taken.py       readings as they are kept
condition.py   the Gaussian of hook seats conditioned on them
readings.py    readings judged before they count
recheck.py     readings in, updated numbers out
result.py      the nouns that travel on
"""

from __future__ import annotations

from rowplane.config import HardwareConfig, LevellingConfig, ModuleConfig
from rowplane.findings import finding
from rowplane.levelling.basis import basis_of
from rowplane.levelling.cures import cures_of
from rowplane.levelling.recheck import moved_supports, recheck_feet
from rowplane.levelling.result import levelling_of
from rowplane.levelling.setting import settle_all
from rowplane.model import Layout, Levelling, SupportPlan, Surfaces

__all__ = ["basis_of", "level_feet", "moved_supports", "recheck_feet"]


def level_feet(
    layout: Layout,
    plan: SupportPlan,
    surfaces: Surfaces,
    levelling: LevellingConfig,
    hardware: HardwareConfig,
    module: ModuleConfig,
) -> Levelling:
    """Choose each array's plane and give every foot its number, with what is not known about it.

    Every foot of the plan gets a setting, one that no plane reaches included (`out-of-reach`, with cures among the findings
    and, where packers cannot cure, a wish for another layout). No arrays in, an empty Levelling out.
    """
    bases = basis_of(layout, plan, surfaces, levelling, hardware, module)
    solved = settle_all(bases)
    wishes, findings = cures_of(solved)
    with_feet = {basis.array for basis in bases}
    bare = tuple(
        finding("array-without-feet", f"array {array.id}", f"{len(array.modules)} modules stand on no feet.")
        for array in layout.arrays
        if array.id not in with_feet
    )
    return levelling_of(solved, {}, wishes, findings + bare)
