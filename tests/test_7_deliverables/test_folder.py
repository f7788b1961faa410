"""The folder: everything or nothing, the same bytes each time, words where it cannot be written."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import textwrap
from pathlib import Path

import pytest

from rowplane.deliverables import write_all
from rowplane.errors import RowplaneError
from test_7_deliverables.builders import empty_result, make_result

ALWAYS = {
    "feet.csv",
    "hooks.csv",
    "rails.csv",
    "modules.csv",
    "faces.csv",
    "parts.csv",
    "result.json",
    "posterior.npz",
    "record.json",
    "layout.svg",
    "deviation.png",
    "crew-sheet.html",
}


@pytest.fixture(scope="module")
def written(tmp_path_factory) -> Path:
    out = tmp_path_factory.mktemp("once") / "out"
    write_all(make_result(), out)
    return out


def test_all_files_are_there_and_named(written):
    assert {p.name for p in written.iterdir()} >= ALWAYS


def test_two_runs_give_the_same_bytes(written, tmp_path):
    write_all(make_result(), tmp_path / "again")
    for path in sorted(written.iterdir()):
        if path.name != "record.json":
            assert path.read_bytes() == (tmp_path / "again" / path.name).read_bytes(), path.name


def test_nothing_is_left_beside_the_folder(written):
    assert [p.name for p in written.parent.iterdir()] == ["out"]


def test_no_path_of_this_machine_is_written(written):
    for path in written.iterdir():
        assert str(Path.cwd()).encode() not in path.read_bytes(), path.name


def test_an_empty_result_says_why(tmp_path):
    out = tmp_path / "empty"
    write_all(empty_result(), out)
    reason = "No pitched face of 2 m² or more was found"
    assert reason in (out / "crew-sheet.html").read_text(encoding="utf-8")
    assert reason in json.loads((out / "result.json").read_text(encoding="utf-8"))["headline"]
    assert {p.name for p in out.iterdir()} >= ALWAYS


def test_an_existing_folder_is_kept_without_overwrite(written):
    before = (written / "feet.csv").read_bytes()
    with pytest.raises(RowplaneError, match="overwrite"):
        write_all(empty_result(), written)
    assert (written / "feet.csv").read_bytes() == before


def test_overwrite_replaces_an_older_result_whole(tmp_path):
    out = tmp_path / "out"
    write_all(make_result(), out)
    (out / "old.txt").write_text("left from before")
    write_all(empty_result(), out, overwrite=True)
    assert not (out / "old.txt").exists()
    assert len((out / "feet.csv").read_text().splitlines()) == 1
    assert [p.name for p in tmp_path.iterdir()] == ["out"]


def test_overwrite_never_replaces_a_folder_of_other_things(tmp_path):
    (tmp_path / "photos").mkdir()
    (tmp_path / "photos" / "one.jpg").write_bytes(b"jpg")
    with pytest.raises(RowplaneError, match="other things"):
        write_all(empty_result(), tmp_path / "photos", overwrite=True)
    assert (tmp_path / "photos" / "one.jpg").exists()


def test_a_parent_that_is_a_file_is_refused_in_words(tmp_path):
    (tmp_path / "file").write_text("x")
    with pytest.raises(RowplaneError):
        write_all(empty_result(), tmp_path / "file" / "out")


@pytest.mark.skipif(os.name != "posix", reason="limits on file size are a POSIX thing")
def test_a_disk_that_fills_up_leaves_nothing_and_says_so(tmp_path):
    code = textwrap.dedent("""
        import resource, signal, sys
        sys.path[:0] = sys.argv[2:]
        from pathlib import Path
        from rowplane.deliverables import write_all
        from rowplane.errors import RowplaneError
        from test_7_deliverables.builders import empty_result
        signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
        resource.setrlimit(resource.RLIMIT_FSIZE, (3000, 3000))
        try:
            write_all(empty_result(), Path(sys.argv[1]) / "out")
        except RowplaneError as error:
            print(error)
    """)
    tests = Path(__file__).parents[1]
    run = subprocess.run(
        [sys.executable, "-c", code, str(tmp_path), str(tests), str(tests.parent / "pipeline")],
        capture_output=True,
        text=True,
        check=True,
    )
    assert "Nothing was written" in run.stdout
    assert list(tmp_path.iterdir()) == []
