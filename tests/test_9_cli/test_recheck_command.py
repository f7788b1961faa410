"""The loop with the roof through the command line: readings in, a new revision out, the earlier result untouched."""

import csv
import hashlib
import shutil
from pathlib import Path

import pytest

from rowplane.cli.run import recheck_result, run_lead
from rowplane.errors import RowplaneError

SAMPLE = Path(__file__).parents[2] / "sample_scans" / "level_survey"


@pytest.fixture(scope="module")
def result(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("recheck")
    shutil.copytree(SAMPLE, folder / "lead")
    run_lead(folder / "lead", folder / "out", {}, as_json=False, overwrite=False, quiet=True, verbose=False)
    return folder / "out"


def rows(path: Path) -> list[dict[str, str]]:
    with path.open(encoding="utf-8", newline="") as stream:
        return list(csv.DictReader(stream))


def digest(folder: Path) -> dict[str, str]:
    return {p.name: hashlib.sha256(p.read_bytes()).hexdigest() for p in folder.iterdir()}


def test_no_readings_change_no_table(result: Path, tmp_path: Path) -> None:
    (tmp_path / "none.csv").write_text("id,kind,value_mm\n")
    recheck_result(result, tmp_path / "none.csv", tmp_path / "out", overwrite=False)
    for name in ("feet.csv", "hooks.csv"):
        assert (tmp_path / "out" / name).read_bytes() == (result / name).read_bytes()


def test_a_gap_moves_its_rail_and_narrows_its_sigma(result: Path, tmp_path: Path) -> None:
    before = digest(result)
    feet = rows(result / "feet.csv")
    line = sorted((r for r in feet if r["line"] == "2"), key=lambda r: float(r["u_mm"]))
    foot = line[len(line) // 2]  # an inner foot: the string rests on the outer two
    read = float(foot["string_gap_mm"]) + 3.0
    (tmp_path / "gaps.csv").write_text(f"id,kind,value_mm\n{foot['foot']},gap,{read}\n")
    recheck_result(result, tmp_path / "gaps.csv", tmp_path / "out", overwrite=False)
    after = {r["foot"]: r for r in rows(tmp_path / "out" / "feet.csv")}[foot["foot"]]
    assert after["revision"] == foot["revision"] + "-r1"
    assert float(after["sigma_mm"]) < float(foot["sigma_mm"])
    rise = float(after["rail_height_mm"]) - float(foot["rail_height_mm"])
    assert -3.5 < rise < -0.3  # a wider gap is a lower rail, as far as the reading outweighs the survey
    assert float(after["z"]) - float(foot["z"]) == pytest.approx(rise / 1000, abs=abs(rise) / 1000 * 0.35)
    assert digest(result) == before
    again = tmp_path / "second.csv"
    other = line[len(line) // 2 - 1]
    again.write_text(f"id,kind,value_mm\n{other['foot']},gap,{other['string_gap_mm']}\n")
    recheck_result(tmp_path / "out", again, tmp_path / "out2", overwrite=False)
    assert {r["revision"] for r in rows(tmp_path / "out2" / "feet.csv")} == {foot["revision"] + "-r2"}


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "columns none"),
        ("foot,value\nA,1\n", "columns foot, value"),
        ("id,kind,value_mm\nA1-9-99,gap,30\n", "A1-9-99"),
        ("id,kind,value_mm\nA1-0-1,gab,30\n", "kind 'gab'"),
        ("id,kind,value_mm\nA1-0-1,gap,x\n", "'x'"),
        ("id,kind,value_mm\nA1-0-1,gap,nan\n", "'nan'"),
    ],
)
def test_bad_readings_end_in_words(text: str, words: str, result: Path, tmp_path: Path) -> None:
    (tmp_path / "bad.csv").write_text(text)
    with pytest.raises(RowplaneError, match=words):
        recheck_result(result, tmp_path / "bad.csv", tmp_path / "out", overwrite=False)
    assert not (tmp_path / "out").exists()


def test_a_folder_that_is_no_result_is_named(tmp_path: Path) -> None:
    (tmp_path / "none.csv").write_text("id,kind,value_mm\n")
    (tmp_path / "posterior.npz").write_bytes(b"PK\x03\x04 not a zip")
    for folder in (tmp_path, tmp_path / "nowhere"):
        with pytest.raises(RowplaneError, match="no result that can be rechecked"):
            recheck_result(folder, tmp_path / "none.csv", tmp_path / "out", overwrite=False)
