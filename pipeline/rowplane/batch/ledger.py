"""What is kept beside the results: the lock on the output folder, and runs.jsonl with a line per finished lead."""

from __future__ import annotations

import contextlib
import json
import os
import re
import shutil
import socket
import tempfile
import time
import uuid
from collections.abc import Iterable
from typing import IO, Any, cast

from rowplane.batch.places import address, is_local, open_place, unreachable
from rowplane.batch.tasks import RUNS
from rowplane.batch.work import NOTES
from rowplane.errors import RowplaneError

LOCK = ".rowplane-batch.lock"
REMOTE_EVERY_S = 20.0
"""A remote runs.jsonl cannot be appended to: it is put anew this often (or more rarely where putting takes long)."""
WRITABLE = "a folder or URL that can be written"


class Ledger:
    """The output place of one batch, locked while open. Use as a context manager.

    `names` are the leads' names: only hidden folders made for one of these are ever swept.
    """

    def __init__(self, out: str, names: Iterable[str] = ()) -> None:
        self.run_id = uuid.uuid4().hex[:12]
        self._fs, self._root = open_place(out)
        self.local = is_local(self._fs)
        self.out = address(self._fs, self._root)
        self._names = frozenset(names)
        self._log: IO[str] | None = None
        self._put_at = 0.0

    def __enter__(self) -> Ledger:
        try:
            self._fs.makedirs(self._root, exist_ok=True)
            self._lock()
            try:
                self._sweep()
                self._log = self._open_log()
            except BaseException:
                self._unlock()
                raise
        except RowplaneError:
            raise
        except Exception as error:  # every store has its own errors
            raise unreachable(self.out, error, WRITABLE) from None
        return self

    def __exit__(self, *_: object) -> None:
        try:
            if self._log:
                self._put_log()
                self._log.close()
        finally:
            # Where even this fails, the next batch finds what is left and says or sweeps it.
            with contextlib.suppress(Exception):
                self._sweep()
            with contextlib.suppress(Exception):
                self._unlock()

    def add(self, outcome: dict[str, Any]) -> None:
        """One more finished lead: on disk before this returns (remote: some 20 s later, and at the end).

        Raises RowplaneError where the disk is full or the store has gone.
        """
        if self._log is None:
            raise ValueError("the ledger is not open")
        try:
            self._log.write(json.dumps({"run": self.run_id, **outcome}, ensure_ascii=False, allow_nan=False) + "\n")
            self._log.flush()
            if self.local:
                os.fsync(self._log.fileno())
        except OSError as error:
            raise unreachable(self._path(RUNS), error, WRITABLE) from None
        if time.monotonic() > self._put_at:
            self._put_log()

    def write(self, name: str, content: bytes) -> None:
        """A file of the batch itself, whole or not at all. Raises RowplaneError where it cannot be written."""
        path = self._path(name)
        try:
            if not self.local:
                self._fs.pipe_file(path, content)
                return
            part = f"{path}.part"
            with open(part, "wb") as stream:
                stream.write(content)
                stream.flush()
                os.fsync(stream.fileno())
            os.replace(part, path)
        except Exception as error:  # every store has its own errors
            raise unreachable(path, error, WRITABLE) from None

    def _path(self, name: str) -> str:
        return f"{self._root}/{name}"

    def _open_log(self) -> IO[str]:
        log: Any
        if self.local:
            log = open(self._path(RUNS), "a+", encoding="utf-8")  # noqa: SIM115 - closed at exit
            log.seek(0)
            # Killed in the middle of a line: the next one must not be glued to it.
            if (before := log.read()) and not before.endswith("\n"):
                log.write("\n")
            return cast(IO[str], log)
        log = tempfile.NamedTemporaryFile("w+", prefix="rowplane-", suffix=f"-{RUNS}", encoding="utf-8")  # noqa: SIM115 - closed at exit
        if self._fs.exists(self._path(RUNS)):
            log.write(self._fs.cat_file(self._path(RUNS)).decode())
        return cast(IO[str], log)

    def _put_log(self) -> None:
        if self.local or self._log is None:
            return
        start = time.monotonic()
        try:
            self._fs.put_file(self._log.name, self._path(RUNS))
        except Exception as error:  # every store has its own errors
            raise unreachable(f"{self.out}/{RUNS}", error, WRITABLE) from None
        spent = time.monotonic() - start
        self._put_at = start + spent + max(REMOTE_EVERY_S, 20 * spent)

    def _lock(self) -> None:
        owner = {"host": socket.gethostname(), "pid": os.getpid(), "started": _started(os.getpid()), "run": self.run_id}
        text = json.dumps(owner).encode()
        for _ in range(2):
            if self._take(text) and self._holder().get("run") == self.run_id:
                return
            holder = self._holder()
            if not _is_gone(holder):
                raise _locked(self.out, holder)
            self._drop(holder)
        raise _locked(self.out, self._holder())

    def _take(self, text: bytes) -> bool:
        if not self.local:
            try:
                self._fs.pipe_file(self._path(LOCK), text, mode="create")
            except FileExistsError:
                return False
            return True
        part = self._path(f"{LOCK}-{self.run_id}")
        with open(part, "xb") as stream:
            stream.write(text)
        # A link takes its name with the content in it, or not at all: nobody ever reads an empty lock.
        try:
            os.link(part, self._path(LOCK))
        except FileExistsError:
            return False
        finally:
            os.unlink(part)
        return True

    def _drop(self, holder: dict[str, Any]) -> None:
        """Take a dead owner's lock away, and only that one: another batch may have done so just before."""
        if not self.local:
            if self._holder() == holder:
                self._fs.rm_file(self._path(LOCK))
            return
        aside = self._path(f"{LOCK}-{self.run_id}-stale")
        with contextlib.suppress(FileNotFoundError):
            os.rename(self._path(LOCK), aside)
            if _read(self._fs, aside) != holder:
                with contextlib.suppress(FileExistsError):
                    os.link(aside, self._path(LOCK))
            os.unlink(aside)

    def _unlock(self) -> None:
        if self._holder().get("run") == self.run_id:
            self._fs.rm_file(self._path(LOCK))

    def _holder(self) -> dict[str, Any]:
        return _read(self._fs, self._path(LOCK))

    def _sweep(self) -> None:
        """Remove what a killed batch left half-made; results take their name only when whole, so this loses nothing."""
        if not self.local:
            for path in self._fs.ls(self._root, detail=False):
                if path.rstrip("/").rsplit("/", 1)[-1].startswith(NOTES):
                    self._fs.rm(path, recursive=True)
            return
        for entry in list(os.scandir(self._root)):
            made = re.fullmatch(r"\.(?P<name>.+?)-(?P<old>old-)?[a-z0-9_]{8}", entry.name)
            if entry.name.startswith((NOTES, f"{LOCK}-")):
                shutil.rmtree(entry.path, ignore_errors=True) if entry.is_dir() else os.unlink(entry.path)
            elif made and made["name"] in self._names and entry.is_dir(follow_symlinks=False):
                aside, place = os.path.join(entry.path, "old"), os.path.join(self._root, made["name"])
                # Killed between moving the older result aside and giving the new one its name: the older is the whole one.
                if made["old"] and os.path.isdir(aside) and not os.path.exists(place):
                    os.rename(aside, place)
                shutil.rmtree(entry.path, ignore_errors=True)


def _read(fs: Any, path: str) -> dict[str, Any]:
    try:
        held = json.loads(fs.cat_file(path))
        return held if isinstance(held, dict) else {}
    except (OSError, ValueError):
        return {}


def _started(pid: int) -> float | None:
    """When a process of this machine began; None where there is none. Numbers of processes are used again, this is not."""
    import psutil

    try:
        return float(psutil.Process(pid).create_time())
    except psutil.Error:
        return None


def _is_gone(holder: dict[str, Any]) -> bool:
    if not holder:
        return True
    if holder.get("host") != socket.gethostname():
        return False
    started = _started(int(holder.get("pid", 0)))
    return started is None or started != holder.get("started", started)


def _locked(out: str, holder: dict[str, Any]) -> RowplaneError:
    who = f"process {holder.get('pid', '?')} on {holder.get('host', '?')}"
    return RowplaneError(
        out,
        f"a batch at work on it ({who})",
        "one batch at a time per output",
        f"Wait for it; if that process is gone for good, delete {LOCK} there and start again.",
    )
