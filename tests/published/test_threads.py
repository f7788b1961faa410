"""Turns and travel of threaded feet (CHECKS.md section 10)."""

from __future__ import annotations

import numpy as np
import pytest

from rowplane.config import HardwareConfig
from rowplane.levelling.basis import limits_of
from rowplane.levelling.setting import lift_of, quarter_turns
from rowplane.model import LevelLimits
from test_6_levelling.builders import Field, case, sag

PITCHES = {
    # metric coarse threads H-01 … H-05 (pitches of ISO 261 as the rows give them), turns for 25 mm
    "M6": (1.0, 25), "M8": (1.25, 20), "M10": (1.5, 16.667), "M12": (1.75, 14.286), "M16": (2.0, 12.5),
    # unified coarse threads H-10 … H-13, pitch = 25.4 / threads per inch
    "1/4-20": (25.4 / 20, 19.685), "5/16-18": (25.4 / 18, 17.717), "3/8-16": (25.4 / 16, 15.748), "1/2-13": (25.4 / 13, 12.795),
}  # fmt: skip


def limits(pitch: float) -> LevelLimits:
    made = case(Field(sag()), hardware=HardwareConfig(thread_pitch_mm=pitch, lift_min_mm=0, lift_max_mm=50))
    return limits_of(made.levelling, made.hardware, made.module)


@pytest.mark.parametrize("thread", PITCHES)
def test_turns_for_25_mm(thread: str) -> None:
    pitch, turns = PITCHES[thread]
    quarters = float(quarter_turns(25.0, limits(pitch)))
    assert quarters == pytest.approx(turns, abs=0.125 + 5e-4)
    assert quarters * 4 == int(quarters * 4)
    assert float(lift_of(turns, limits(pitch))) == pytest.approx(25.0, rel=5e-5)


def test_the_worked_foot() -> None:
    # H-20: +7.4 mm on M10 is 4.933 turns; to a quarter 5.00, which is 7.5 mm and leaves +0.1 mm
    m10 = limits(1.5)
    assert float(quarter_turns(7.4, m10)) == 5.0
    assert float(lift_of(5.0, m10)) - 7.4 == pytest.approx(0.1)


def test_worst_rounding_is_an_eighth_of_the_pitch() -> None:
    # H-20: P/8 = 0.1875 mm on M10
    m10 = limits(1.5)
    wanted = np.linspace(0, 50, 5001)[:4900]
    miss = np.abs(lift_of(quarter_turns(wanted, m10), m10) - wanted)
    assert miss.max() == pytest.approx(0.1875, abs=5e-3)


def test_rounding_stays_within_travel() -> None:
    odd = limits(1.75)  # 50 mm is 28.57 turns: the last quarter within travel is 28.5
    assert float(quarter_turns(50.0, odd)) == 28.5
    assert float(quarter_turns(80.0, odd)) == 28.5
    assert float(quarter_turns(-3.0, odd)) == 0.0
