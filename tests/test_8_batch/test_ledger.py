"""The lock and the log of a batch's output folder."""

import errno
import json
import os
import socket
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from rowplane.batch.ledger import LOCK, Ledger
from rowplane.errors import RowplaneError


def test_two_batches_do_not_share_an_output(tmp_path: Path) -> None:
    with Ledger(str(tmp_path)), pytest.raises(RowplaneError, match=rf"process {os.getpid()} on {socket.gethostname()}"):
        Ledger(str(tmp_path)).__enter__()
    with Ledger(str(tmp_path)):
        pass
    assert not (tmp_path / LOCK).exists()


def test_a_dead_owner_on_this_machine_loses_its_lock(tmp_path: Path) -> None:
    gone = subprocess.Popen([sys.executable, "-c", "pass"])
    gone.wait()
    (tmp_path / LOCK).write_text(json.dumps({"host": socket.gethostname(), "pid": gone.pid}))
    with Ledger(str(tmp_path)):
        assert json.loads((tmp_path / LOCK).read_text())["pid"] == os.getpid()


def test_an_owner_on_another_machine_keeps_it(tmp_path: Path) -> None:
    (tmp_path / LOCK).write_text(json.dumps({"host": "elsewhere.invalid", "pid": 1}))
    with pytest.raises(RowplaneError, match=f"delete {LOCK}"):
        Ledger(str(tmp_path)).__enter__()


def test_lines_are_there_before_the_next_lead(tmp_path: Path) -> None:
    with Ledger(str(tmp_path)) as ledger:
        ledger.add({"lead": "ä"})
        assert json.loads((tmp_path / "runs.jsonl").read_text())["lead"] == "ä"
    with Ledger(str(tmp_path)) as ledger:
        ledger.add({"lead": "b"})
    assert len((tmp_path / "runs.jsonl").read_text().splitlines()) == 2


def test_a_number_used_again_is_not_the_owner(tmp_path: Path) -> None:
    (tmp_path / LOCK).write_text(json.dumps({"host": socket.gethostname(), "pid": os.getpid(), "started": 1.0}))
    with Ledger(str(tmp_path)):
        pass


def test_a_line_cut_short_does_not_spoil_the_next(tmp_path: Path) -> None:
    (tmp_path / "runs.jsonl").write_text('{"lead": "a"}\n{"lead": "b", "sta')
    with Ledger(str(tmp_path)) as ledger:
        ledger.add({"lead": "c"})
    assert json.loads((tmp_path / "runs.jsonl").read_text().splitlines()[-1])["lead"] == "c"


def test_half_made_folders_go_and_an_older_result_comes_back(tmp_path: Path) -> None:
    for name in (".one-abcdefgh", ".one-abc", ".other-abcdefgh", ".git", ".two-old-xyz_1234/old", ".rowplane-batch-0123"):
        (tmp_path / name).mkdir(parents=True)
    (tmp_path / ".two-old-xyz_1234" / "old" / "record.json").write_text("whole")
    with Ledger(str(tmp_path), ["one", "two"]):
        pass
    assert sorted(p.name for p in tmp_path.iterdir()) == [".git", ".one-abc", ".other-abcdefgh", "runs.jsonl", "two"]
    assert (tmp_path / "two" / "record.json").read_text() == "whole"


def test_a_store_has_one_batch_at_a_time_too() -> None:
    place = "memory://out-of-ledger"
    with Ledger(place) as ledger:
        ledger.add({"lead": "a"})
        with pytest.raises(RowplaneError, match="a batch at work"):
            Ledger(place).__enter__()
    with Ledger(place) as ledger:
        ledger.add({"lead": "b"})
    import fsspec

    store = fsspec.filesystem("memory")
    assert [json.loads(line)["lead"] for line in store.cat_file("/out-of-ledger/runs.jsonl").splitlines()] == ["a", "b"]
    assert not store.exists(f"/out-of-ledger/{LOCK}")


def test_an_output_that_cannot_be_made_is_named(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("x")
    with pytest.raises(RowplaneError, match="no access"):
        Ledger(str(tmp_path / "file" / "out")).__enter__()


def test_a_full_disk_is_said_and_the_lock_goes(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def full(_: int) -> None:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    def work() -> None:
        with Ledger(str(tmp_path)) as ledger:
            monkeypatch.setattr(os, "fsync", full)
            ledger.add({"lead": "a"})

    with pytest.raises(RowplaneError, match="No space left"):
        work()
    assert not (tmp_path / LOCK).exists()


def test_a_store_that_goes_away_is_said_and_the_lock_goes(monkeypatch: pytest.MonkeyPatch) -> None:
    from fsspec.implementations.memory import MemoryFileSystem

    class EndpointError(Exception):
        """Stores have errors of their own, which are no errors of the operating system."""

    def gone(*_: object, **__: object) -> None:
        raise EndpointError("could not connect")

    def work(what: str, use: Callable[[Ledger], None]) -> None:
        with Ledger("memory://going") as ledger:
            monkeypatch.setattr(MemoryFileSystem, what, gone)
            use(ledger)

    with pytest.raises(RowplaneError, match="could not connect"):
        work("put_file", lambda ledger: ledger.add({"lead": "a"}))
    with pytest.raises(RowplaneError, match="could not connect"):
        work("pipe_file", lambda ledger: ledger.write("summary.csv", b"x"))
    assert not MemoryFileSystem().exists(f"/going/{LOCK}")
