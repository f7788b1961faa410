"""The deviation map: colours centred on zero and legible grey, values where they hide no name, every mark in the key."""

from __future__ import annotations

import io
from dataclasses import replace
from typing import get_args, get_type_hints

import matplotlib
import numpy as np
from PIL import Image
from shapely.geometry import box

from rowplane.deliverables.png import COLOURS, HATCHES, SPOTS_APART_MM, _filled, _range, _worst_spots, deviation_png
from rowplane.deliverables.sheets import build_sheets
from rowplane.deliverables.words import WORDS
from rowplane.model import Patch, RoofResult
from test_7_deliverables.builders import make_result


def test_every_kind_of_patch_has_lines_and_a_word() -> None:
    kinds = set(get_args(get_type_hints(Patch)["kind"]))
    assert set(HATCHES) == kinds
    assert len(set(HATCHES.values())) == len(kinds)
    assert all(WORDS[f"key_{kind}"] for kind in kinds)


def test_colours_darken_alike_to_both_sides() -> None:
    """Printed grey, strength is how far from zero; the sign is then told by full and dashed contours and by values."""
    rgb = matplotlib.colormaps[COLOURS](np.linspace(0, 1, 11))[:, :3]
    grey = rgb @ [0.299, 0.587, 0.114]
    assert (np.diff(grey[:6]) > 0).all()
    assert (np.diff(grey[5:]) < 0).all()


def test_one_tip_does_not_pale_the_rest() -> None:
    surface = make_result().surfaces.surfaces[0]
    own = np.full((40, 60), 6.0)
    own[0, 0] = 90.0
    assert _range([replace(surface, own_mm=own)]) < 12


def test_greatest_deviations_stand_apart() -> None:
    surface = make_result().surfaces.surfaces[0]
    rng = np.random.default_rng(3)
    own = rng.normal(0, 5, (40, 60))
    spots = _worst_spots(replace(surface, own_mm=own), np.arange(60) * 100.0, np.arange(40) * 100.0)
    assert abs(spots[0][2]) == np.abs(own).max()
    for k, one in enumerate(spots):
        assert all(np.hypot(one[0] - two[0], one[1] - two[1]) >= SPOTS_APART_MM for two in spots[:k])


def test_colours_run_up_to_the_outline() -> None:
    raster = np.array([[np.nan, 1.0, 2.0], [np.nan, np.nan, 3.0]])
    np.testing.assert_array_equal(_filled(raster)[:, 0], [1.0, 1.0])
    assert np.isfinite(_filled(raster)).all()


def test_a_patch_is_drawn_and_named_in_the_key() -> None:
    result = make_result()
    first = result.surfaces.surfaces[0]
    u, v = first.face.outline.centroid.coords[0]
    patched = replace(first, patches=(Patch(box(u - 300, v - 300, u + 300, v + 300), "cap", 20.0),))
    one, two = (_ink(replace(result, surfaces=replace(result.surfaces, surfaces=(s,)))) for s in (first, patched))
    changed = np.flatnonzero((one != two).any(axis=1))
    assert one.shape == two.shape
    assert changed.min() < 0.8 * len(one) < 0.9 * len(one) < changed.max()


def _ink(result: RoofResult) -> np.ndarray:
    return np.asarray(Image.open(io.BytesIO(deviation_png(result, build_sheets(result)))).convert("L"))
