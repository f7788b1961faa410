"""What the array's weight adds to the sag of the roof."""

from __future__ import annotations

import numpy as np
import pytest

from rowplane.config import ModuleConfig, RafterConfig
from rowplane.frames import pitch_deg
from rowplane.supports.settling import beam_sag_mm, settling
from test_5_supports.builders import block, surface


def test_sag_of_an_even_load() -> None:
    """Beam theory, CHECKS.md section 1 (simple span 5wL⁴/384EI): EI = 6900 N·m², w = 500 N/m, L = 1.2 m."""
    inertia = 40 * 90**3 / 12
    elasticity = 6900e6 / inertia
    assert beam_sag_mm(0.5, 1200, 40, 90, elasticity) == pytest.approx(5 * 0.5 * 1200**4 / (384 * 6900e6), rel=1e-12)
    assert beam_sag_mm(0.5, 1200, 40, 90, elasticity) == pytest.approx(1.957, abs=1e-3)


def test_the_usual_roof() -> None:
    """Common practice, no source: 14 kg/m² on 45 × 145 rafters at 600 mm adds about 2 mm at 4 m clear span."""
    assert beam_sag_mm(14 * 9.81 * 0.6 / 1000, 4000, 45, 145, 11_000) == pytest.approx(2.2, abs=0.2)


def test_figure_and_words() -> None:
    ground, array, module = surface(None), block(2, 3), ModuleConfig()
    rafters = RafterConfig(spacing_mm=600, clear_span_mm=4000)
    found = settling(array, ground, rafters, module)
    mass = module.mass_kg / (module.width_mm * module.height_mm) * 1e6 + 3.0
    load = mass * 9.81 * np.cos(np.radians(pitch_deg(ground.face.frame))) * 0.6 / 1000
    assert found.value == pytest.approx(beam_sag_mm(load, 4000, 45, 145, 11_000))
    assert "assumed" not in found.text
    whole = settling(array, ground, RafterConfig(positions_mm=(300, 1500, 900)), module)
    span = ground.face.outline.bounds[3] - ground.face.outline.bounds[1]
    assert whole.value == pytest.approx(found.value * (span / 4000) ** 4)
    assert "assumed" in whole.text


@pytest.mark.parametrize("rafters", [None, RafterConfig(positions_mm=(300,))])
def test_not_predicted_is_said(rafters: RafterConfig | None) -> None:
    found = settling(block(2, 3), surface(None), rafters, ModuleConfig())
    assert found.value is None
    assert "not predicted" in found.text
