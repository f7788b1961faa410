"""What a hook is used to, in percent, and which of its limits governs."""

from __future__ import annotations

import math
from collections.abc import Sequence

from rowplane.config import HardwareConfig, SiteConfig, greatest
from rowplane.model import Hook
from rowplane.supports.standards import en_1995_1_1, nds_2018

MM_PER_IN = 25.4
N_PER_LBF = 4.4482216
LONGEST_THREAD_MM = 120
"""Threads longer than this are not looked for as a cure: rafters are not much deeper."""
CAPACITIES = {
    "data sheet, uplift": ("hook_capacity_up_N", "of uplift"),
    "data sheet, down": ("hook_capacity_down_N", "towards the roof"),
    "data sheet, down the slope": ("hook_capacity_slope_N", "down the slope"),
}
"""Checks against the hook's data sheet: the setting that holds the limit, and the force in words."""


def hook_use(
    uplift_N: float, down_N: float, downslope_N: float, hardware: HardwareConfig, site: SiteConfig
) -> tuple[float, str]:
    """Highest use in percent and the name of its check; (NaN, '') where nothing could be compared.

    Screw withdrawal with the arm's lever: uplift on the arm turns the plate about its upper edge, load towards the roof
    about its lower edge; the screws pull against it. The arm's side offset is not in it. Arm: how far it bends, against the
    gap to the tile below, where its springiness is known. Then the data sheet's capacities.
    """
    if all(math.isnan(force) for force in (uplift_N, down_N, downslope_N)):
        return math.nan, ""
    checks = _checks(uplift_N, down_N, downslope_N, hardware, site)
    return max(((100.0 * force / limit, name) for name, force, limit in checks), default=(math.nan, ""), key=lambda use: use[0])


def cures(hooks: Sequence[Hook], hardware: HardwareConfig, site: SiteConfig) -> tuple[str, ...]:
    """What every check that some of `hooks` do not pass would take to pass at all of them, in words; all of it is needed."""
    needs: dict[str, float] = {}
    for hook in hooks:
        for name, force, limit in _checks(hook.uplift_N, hook.down_N, hook.downslope_N, hardware, site):
            if force > limit:
                needs[name] = max(force, needs.get(name, 0.0))
    return tuple(_cure(name, need, hardware, site) for name, need in needs.items())


def _cure(name: str, need_N: float, hardware: HardwareConfig, site: SiteConfig) -> str:
    if name == "screw withdrawal":
        now = hardware.screw_thread_mm
        for thread in range(math.floor(now) + 1, LONGEST_THREAD_MM + 1):
            strength = screw_strength_N(hardware.model_copy(update={"screw_thread_mm": float(thread)}), site)
            if strength is not None and strength >= need_N:
                return f"{thread} instead of {now:g} mm of thread in the rafter"
        return f"more or thicker screws ({LONGEST_THREAD_MM} mm of thread would not do)"
    if name == "arm on the tile below":
        needed = math.ceil(10.0 * need_N / float(hardware.hook_stiffness_N_mm or 1.0)) / 10.0
        most = greatest(HardwareConfig, "arm_clear_mm")
        if needed > most:
            return f"an arm that bends less ({most:g} mm between arm and tile would not do)"
        return f"{needed:g} instead of {hardware.arm_clear_mm:g} mm between arm and tile"
    setting, towards = CAPACITIES[name]
    return f"a hook for {math.ceil(need_N):,} instead of {getattr(hardware, setting):,.0f} N {towards}"


def _checks(
    uplift_N: float, down_N: float, downslope_N: float, hardware: HardwareConfig, site: SiteConfig
) -> list[tuple[str, float, float]]:
    """Name, force and limit, N, of every check that can be made at a hook."""
    lever, plate = hardware.arm_lever_mm, hardware.plate_lever_mm
    pull = max(_or_zero(uplift_N) * (lever + plate) / plate, _or_zero(down_N) * max(lever - plate, 0.0) / plate)
    forces = {"data sheet, uplift": uplift_N, "data sheet, down": down_N, "data sheet, down the slope": downslope_N}
    checks = [("screw withdrawal", pull, screw_strength_N(hardware, site))]
    checks += [(name, forces[name], getattr(hardware, setting)) for name, (setting, _) in CAPACITIES.items()]
    if hardware.hook_stiffness_N_mm is not None and hardware.arm_clear_mm > 0:
        checks.append(("arm on the tile below", down_N, hardware.hook_stiffness_N_mm * hardware.arm_clear_mm))
    return [(name, force, limit) for name, force, limit in checks if limit is not None and not math.isnan(force)]


def _or_zero(force_N: float) -> float:
    return 0.0 if math.isnan(force_N) else force_N


def timber_rule(site: SiteConfig) -> str:
    """The standard that screws are screened by: the family of the wind or snow rule, EN 1995-1-1 where there is none."""
    if site.timber_rule != "auto":
        return site.timber_rule
    american = (site.wind_rule or "").startswith("asce") or site.snow_rule == "asce_7"
    return "nds_2018" if american else "en_1995_1_1"


def screw_strength_N(hardware: HardwareConfig, site: SiteConfig) -> float | None:
    """Withdrawal strength of a hook's screws by the timber rule; None where the screw is outside its formula."""
    d, thread, screws = hardware.screw_diameter_mm, hardware.screw_thread_mm, hardware.screws_per_hook
    if timber_rule(site) == "nds_2018":
        pounds = nds_2018.allowable_withdrawal_lb(
            site.timber_gravity, d / MM_PER_IN, thread / MM_PER_IN, screws, C_D=nds_2018.LOAD_DURATION_WIND
        )
        return pounds * N_PER_LBF
    try:
        strength = en_1995_1_1.withdrawal_N(d, thread, site.timber_density_kg_m3, screws)
    except ValueError:
        return None
    return en_1995_1_1.design_N(strength, site.k_mod, site.gamma_M)


def screws_in_words(hardware: HardwareConfig, site: SiteConfig) -> str:
    """How the screws were screened, or why not."""
    rule = timber_rule(site)
    if screw_strength_N(hardware, site) is None:
        return "screws not screened: outside the formula of EN 1995-1-1"
    if rule == "nds_2018":
        return f"screws by NDS 2018, specific gravity {site.timber_gravity:g}"
    return f"screws by EN 1995-1-1, density {site.timber_density_kg_m3:g} kg/m³, k_mod {site.k_mod:g}, γ_M {site.gamma_M:g}"
