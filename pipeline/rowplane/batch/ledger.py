"""What is kept beside the results: the lock on the output folder, and runs.jsonl with a line per finished lead."""

from __future__ import annotations

import contextlib
import json
import os
import shutil
import socket
import uuid
from typing import Any

from rowplane.batch.tasks import RUNS, is_local, open_place, unreachable
from rowplane.errors import RowplaneError

LOCK = ".rowplane-batch.lock"
REMOTE_EVERY = 25
"""A remote runs.jsonl cannot be appended to: it is written anew after this many leads."""


class Ledger:
    """The output place of one batch, locked while open. Use as a context manager."""

    def __init__(self, out: str) -> None:
        self.out = out.rstrip("/") or out
        self.run_id = uuid.uuid4().hex[:12]
        self._fs, self._root = open_place(self.out)
        self.local = is_local(self._fs)
        self._lines: list[str] = []

    def __enter__(self) -> Ledger:
        try:
            self._fs.makedirs(self._root, exist_ok=True)
            self._lock()
            if self.local:
                self._sweep()
            elif self._fs.exists(self._path(RUNS)):
                self._lines = self._fs.cat_file(self._path(RUNS)).decode().splitlines()
        except (OSError, ImportError, ValueError) as error:
            raise unreachable(self.out, error) from None
        return self

    def __exit__(self, *_: object) -> None:
        if not self.local and self._lines:
            self._put_lines()
        with contextlib.suppress(OSError):
            self._fs.rm_file(self._path(LOCK))

    def add(self, outcome: dict[str, Any]) -> None:
        """One more finished lead; on disk before this returns (remote: at the latest 25 leads later)."""
        line = json.dumps({"run": self.run_id, **outcome}, ensure_ascii=False, allow_nan=False)
        if self.local:
            with open(self._path(RUNS), "a", encoding="utf-8") as stream:
                stream.write(line + "\n")
                stream.flush()
                os.fsync(stream.fileno())
            return
        self._lines.append(line)
        if len(self._lines) % REMOTE_EVERY == 0:
            self._put_lines()

    def write(self, name: str, content: bytes) -> None:
        """A file of the batch itself, whole or not at all."""
        path = self._path(name)
        if self.local:
            part = f"{path}.part"
            with open(part, "wb") as stream:
                stream.write(content)
            os.replace(part, path)
        else:
            self._fs.pipe_file(path, content)

    def _put_lines(self) -> None:
        self._fs.pipe_file(self._path(RUNS), ("\n".join(self._lines) + "\n").encode())

    def _path(self, name: str) -> str:
        return f"{self._root}/{name}"

    def _lock(self) -> None:
        owner = {"host": socket.gethostname(), "pid": os.getpid(), "run": self.run_id}
        path = self._path(LOCK)
        if not self.local:
            # Object stores have no exclusive create that all of them share; the later one to look sees the earlier.
            if self._fs.exists(path):
                raise _locked(self.out, json.loads(self._fs.cat_file(path)))
            self._fs.pipe_file(path, json.dumps(owner).encode())
            return
        for _ in range(2):
            with contextlib.suppress(FileExistsError), open(path, "x", encoding="utf-8") as stream:
                json.dump(owner, stream)
                return
            holder = _holder(path)
            if holder.get("host") != owner["host"] or _alive(int(holder.get("pid", 0))):
                raise _locked(self.out, holder)
            with contextlib.suppress(FileNotFoundError):
                os.unlink(path)
        raise _locked(self.out, _holder(path))

    def _sweep(self) -> None:
        """Remove what a killed batch left half-made; results take their name only when whole, so this loses nothing."""
        for entry in os.scandir(self._root):
            if entry.is_dir(follow_symlinks=False) and entry.name.startswith("."):
                aside = os.path.join(entry.path, "old")
                if "-old-" in entry.name and os.path.isdir(aside):
                    _put_back(aside, os.path.join(self._root, entry.name[1 : entry.name.rindex("-old-")]))
                shutil.rmtree(entry.path, ignore_errors=True)


def _put_back(aside: str, place: str) -> None:
    # Killed between moving the older result aside and giving the new one its name: the older one is the whole one.
    if not os.path.exists(place):
        os.rename(aside, place)


def _holder(path: str) -> dict[str, Any]:
    try:
        with open(path, encoding="utf-8") as stream:
            held = json.load(stream)
        return held if isinstance(held, dict) else {}
    except (OSError, ValueError):
        return {}


def _alive(pid: int) -> bool:
    if pid <= 0:
        return False
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return False
    except OSError:
        return True
    return True


def _locked(out: str, holder: dict[str, Any]) -> RowplaneError:
    who = f"process {holder.get('pid', '?')} on {holder.get('host', '?')}"
    return RowplaneError(
        out,
        f"a batch at work on it ({who})",
        "one batch at a time per output",
        f"Wait for it; if that process is gone for good, delete {LOCK} there and start again.",
    )
