"""The sample leads are what the generator makes, small, and their truth files belong to them."""

from __future__ import annotations

import tomllib
from pathlib import Path

import numpy as np
import pytest

from scenes import load_truth
from scenes.samples import SAMPLES, write_samples

LEADS = ("hip_and_gable", "l_shaped", "level_survey")


@pytest.fixture(scope="module")
def fresh(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("samples")
    write_samples(folder)
    return folder


def _points(path: Path) -> np.ndarray:
    if path.suffix == ".laz":
        import laspy

        return np.asarray(laspy.read(path).xyz)
    if path.suffix == ".ply":
        raw = path.read_bytes()
        return np.frombuffer(raw[raw.index(b"end_header\n") + 11 :], "<f4").reshape(-1, 3).astype(float)
    return np.genfromtxt(path, delimiter=",", skip_header=1, usecols=(3, 4, 5))


@pytest.mark.parametrize("lead", LEADS)
def test_sample_is_what_the_generator_makes(lead: str, fresh: Path) -> None:
    text = (SAMPLES / lead / "lead.toml").read_text(encoding="utf-8")
    assert text == (fresh / lead / "lead.toml").read_text(encoding="utf-8")
    scan = tomllib.loads(text)["scan"]
    kept, made = _points(SAMPLES / lead / scan), _points(fresh / lead / scan)
    assert kept.shape == made.shape
    assert np.abs(kept - made).max() < 0.0011  # one step of the file: processors add in other orders


@pytest.mark.parametrize("lead", LEADS)
def test_truth_belongs_to_the_sample(lead: str, fresh: Path) -> None:
    kept, made = (load_truth(folder / "truth" / f"{lead}.json") for folder in (SAMPLES, fresh))
    assert kept.georef.epsg == made.georef.epsg
    for a, b in zip(kept.faces, made.faces, strict=True):
        assert a.lsq.pitch_deg == pytest.approx(b.lsq.pitch_deg, abs=1e-6)
        assert a.substrate_mm(np.array(2.0), np.array(1.5)) == pytest.approx(b.substrate_mm(np.array(2.0), np.array(1.5)))
    if kept.frame == "xyz":
        points = kept.georef.to_world(_points(next(p for p in (SAMPLES / lead).iterdir() if p.suffix in (".laz", ".ply"))))
        for face in kept.faces:
            u, v, w = face.to_face(points)
            near = face.inside(u, v, -0.3) & (np.abs(w) < 150)
            off = (w - face.surface_mm(u, v))[near]
            assert near.sum() / face.area_m2 > 100
            assert abs(np.median(off)) < 3


def test_samples_are_small_and_say_that_they_are_invented() -> None:
    for lead in LEADS:
        assert sum(p.stat().st_size for p in (SAMPLES / lead).iterdir()) < 4_000_000
        assert "invented" in (SAMPLES / lead / "lead.toml").read_text(encoding="utf-8")
    assert "invented" in (SAMPLES / "README.md").read_text(encoding="utf-8")
