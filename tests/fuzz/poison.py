"""Readers that end as no reader may, to see that the guard sees it."""

from __future__ import annotations

import ctypes
import os
import time
from collections.abc import Callable
from pathlib import Path

from rowplane.errors import RowplaneError


def value(path: Path) -> str:
    """The end that is allowed."""
    return path.name


def words(path: Path) -> str:
    """The other one."""
    raise RowplaneError(str(path), "nothing", "something", "Try again.")


def bug(path: Path) -> str:
    """A traceback."""
    return str(1 / len(path.name[:0]))


def memory(path: Path) -> str:
    """More memory than allowed."""
    return str(len(bytearray(4_000_000_000)))


def hidden(path: Path) -> str:
    """The same, turned into words."""
    try:
        return memory(path)
    except MemoryError as error:
        raise RowplaneError(str(path), "nothing", "something", "Try again.") from error


def crash(path: Path) -> str:
    """What native code can do."""
    return str(ctypes.string_at(0))


def leave(path: Path) -> str:
    """An end of the process that nobody asked for."""
    os._exit(0)


def hang(path: Path) -> str:
    """Longer than allowed."""
    time.sleep(60)
    return ""


def warm_up() -> None:
    """Nothing to load."""


READERS: dict[str, Callable[[Path], str]] = {
    read.__name__: read for read in (value, words, bug, memory, hidden, crash, leave, hang)
}
