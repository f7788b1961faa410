"""The folder: everything or nothing, the same bytes each time, words where it cannot be written."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import textwrap
from pathlib import Path

import pytest

from rowplane.config import Config
from rowplane.deliverables import check_out, write_all
from rowplane.deliverables.write import put_files
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


CONTRACT = {
    "feet.csv", "hooks.csv", "rails.csv", "modules.csv", "faces.csv", "parts.csv", "result.json", "posterior.npz", "record.json",
}  # fmt: skip


@pytest.mark.parametrize(
    "chosen", [(), ("crew-sheet.html",), ("deviation.tif", "layout.svg"), ("model.glb",), ("layout.geojson",)], ids=str
)
def test_only_what_was_chosen_stands_beside_the_contract(tmp_path, chosen):
    config = Config.model_validate({"deliverables": {"files": chosen}})
    write_all(make_result(columns=(3,), rows=(2,), config=config), tmp_path / "out")
    assert {p.name for p in (tmp_path / "out").iterdir()} == CONTRACT | set(chosen)


def test_every_file_can_be_chosen_and_is_written_by_default(written):
    assert {p.name for p in written.iterdir()} == CONTRACT | set(Config().deliverables.files)
    with pytest.raises(ValueError, match=r"crew-sheet\.pdf"):
        Config.model_validate({"deliverables": {"files": ["crew-sheet.doc"]}})


def test_an_existing_folder_is_kept_without_overwrite(written):
    before = (written / "feet.csv").read_bytes()
    with pytest.raises(RowplaneError, match="overwrite"):
        write_all(empty_result(), written)
    assert (written / "feet.csv").read_bytes() == before


def test_overwrite_replaces_an_older_result_whole(tmp_path):
    out = tmp_path / "out"
    write_all(make_result(columns=(3,), rows=(2,)), out)
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


def test_what_cannot_be_a_result_folder_is_refused_before_and_at_writing(tmp_path):
    (tmp_path / "file").write_text("x")
    (tmp_path / "link").symlink_to("nowhere")
    before = sorted(tmp_path.iterdir())
    for out in ("file", "file/out", "file/deep/out", "link", "link/out", "x" * 300):
        with pytest.raises(RowplaneError, match="--out"):
            check_out(tmp_path / out, overwrite=True)
        with pytest.raises(RowplaneError, match="--out"):
            put_files({"record.json": b"{}"}, tmp_path / out, overwrite=True)
    with pytest.raises(RowplaneError, match="a URL"):
        check_out(Path("s3://bucket/out"))
    check_out(tmp_path / "deep" / "out")
    assert sorted(tmp_path.iterdir()) == before


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


@pytest.mark.skipif(os.name != "posix", reason="limits on file size are a POSIX thing")
@pytest.mark.parametrize("room", [5_000, 399_999])
def test_a_disk_full_in_the_middle_keeps_the_older_result(tmp_path, room):
    old = tmp_path / "out"
    old.mkdir()
    (old / "record.json").write_text("{}")
    (old / "feet.csv").write_text("as it was")
    code = textwrap.dedent("""
        import resource, signal, sys
        sys.path.insert(0, sys.argv[1])
        from pathlib import Path
        from rowplane.deliverables.write import put_files
        from rowplane.errors import RowplaneError
        signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
        resource.setrlimit(resource.RLIMIT_FSIZE, (int(sys.argv[3]), int(sys.argv[3])))
        try:
            put_files({"feet.csv": b"x" * 100, "record.json": b"x" * 20_000, "layout.dxf": b"x" * 400_000}, Path(sys.argv[2]), True)
        except RowplaneError as error:
            print(error)
    """)
    pipeline = str(Path(__file__).parents[2] / "pipeline")
    run = subprocess.run([sys.executable, "-c", code, pipeline, str(old), str(room)], capture_output=True, text=True, check=True)
    assert "Nothing was written" in run.stdout
    assert {p.name: p.read_text() for p in old.iterdir()} == {"record.json": "{}", "feet.csv": "as it was"}
    assert list(tmp_path.iterdir()) == [old]


@pytest.mark.skipif(os.name != "posix" or os.geteuid() == 0, reason="root may write anywhere")
def test_a_folder_that_may_not_be_written_is_said(tmp_path):
    (tmp_path / "shut").mkdir(mode=0o555)
    with pytest.raises(RowplaneError, match="permission denied"):
        write_all(empty_result(), tmp_path / "shut" / "out")


@pytest.mark.long
def test_bytes_do_not_hang_on_the_process(tmp_path):
    # Sets and dicts of another process run in another order; sheets may not.
    code = textwrap.dedent("""
        import sys
        sys.path[:0] = sys.argv[2:]
        from pathlib import Path
        from rowplane.deliverables import write_all
        from test_7_deliverables.builders import make_result
        write_all(make_result(columns=(3,), rows=(2,)), Path(sys.argv[1]))
    """)
    tests = Path(__file__).parents[1]
    for seed in "12":
        command = [sys.executable, "-c", code, str(tmp_path / seed), str(tests), str(tests.parent / "pipeline")]
        subprocess.run(command, env={**os.environ, "PYTHONHASHSEED": seed}, check=True)
    for path in sorted((tmp_path / "1").iterdir()):
        if path.name != "record.json":
            assert path.read_bytes() == (tmp_path / "2" / path.name).read_bytes(), path.name
