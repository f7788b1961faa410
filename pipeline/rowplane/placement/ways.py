"""The ways a module may lie, and which of them its data sheet allows."""

from __future__ import annotations

from dataclasses import dataclass

from rowplane.config import ModuleConfig, PlacementConfig, SiteConfig
from rowplane.findings import finding
from rowplane.model import Finding, Orientation


@dataclass(frozen=True)
class Lie:
    """One way for modules to lie: their sides along u and v."""

    orientation: Orientation
    along_u_mm: float
    along_v_mm: float


def lies(module: ModuleConfig) -> dict[Orientation, Lie]:
    """Both ways for a module to lie; landscape first, because long edges carry more."""
    return {
        "landscape": Lie("landscape", module.height_mm, module.width_mm),
        "portrait": Lie("portrait", module.width_mm, module.height_mm),
    }


def allowed_ways(placement: PlacementConfig, module: ModuleConfig, site: SiteConfig) -> tuple[tuple[Lie, ...], list[Finding]]:
    """Ways the data sheet allows for the site's pressure on rails that run up the slope, and why others are refused."""
    ways, findings = [], []
    pressure = max((p for p in (site.pressure_up_Pa, site.pressure_down_Pa) if p is not None), default=0.0)
    held = {
        "landscape": ("long", module.held_long, module.max_pressure_long_Pa),
        "portrait": ("short", module.held_short, module.max_pressure_short_Pa),
    }
    for name, lie in lies(module).items():
        if placement.orientation not in ("best", name):
            continue
        edge, allowed, limit = held[name]
        text = f"On rails up the slope a {name} module is held at its {edge} edges"
        if not allowed:
            text += f", which the data sheet of {module.name} does not allow."
            findings.append(finding("orientation-refused", "module", text))
        elif pressure > limit:
            text += f", allowed up to {limit:g} Pa; the site asks for {pressure:g} Pa."
            findings.append(finding("orientation-refused", "module", text, pressure, limit, "Pa"))
        else:
            ways.append(lie)
    return tuple(ways), findings
