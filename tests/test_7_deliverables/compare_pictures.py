"""Pictures compared with stored ones by where ink stands, not by bytes.

A picture that is missing is made and the test fails: look at it, then keep it.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from PIL import Image

KEPT = Path(__file__).parent / "pictures"
CELLS = (44, 31)
"""Down and across: about 7 mm of A4, so that a word set a little wider is no difference but a moved table is."""
LIMIT = 0.02


def ink(picture: Image.Image) -> np.ndarray:
    """Share of ink per cell, 0 to 1."""
    grey = picture.convert("L").resize((CELLS[1] * 8, CELLS[0] * 8), Image.Resampling.BOX)
    return 1 - np.asarray(grey, dtype=float).reshape(CELLS[0], 8, CELLS[1], 8).mean(axis=(1, 3)) / 255


def unlike(one: Image.Image, other: Image.Image) -> float:
    """Root mean square of the difference of ink, after each cell was blurred with its neighbours."""
    step = ink(one) - ink(other)
    padded = np.pad(step, 1)
    near = sum(padded[1 + i : 1 + i + CELLS[0], 1 + j : 1 + j + CELLS[1]] for i in (-1, 0, 1) for j in (-1, 0, 1)) / 9
    return float(np.sqrt(np.mean(near**2)))


def compare(name: str, picture: Image.Image) -> None:
    path = KEPT / f"{name}.png"
    if not path.exists():
        picture.convert("L").save(path, optimize=True)
        pytest.fail(f"{path.name} was missing and is made now: look at it, then keep it")
    found = unlike(picture, Image.open(path))
    print(f"{name}: {found:.4f}, allowed {LIMIT}")
    assert found < LIMIT, f"{name} differs from its stored picture by {found:.3f}"
