"""The time limit of a lead: whatever hangs, in Python or inside a library, is stopped."""

from __future__ import annotations

import faulthandler
import os
import signal
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from types import FrameType

GRACE_S = 5.0
"""After the limit a worker has this long to leave a note before it is ended from outside Python."""


class OutOfTimeError(Exception):
    """The lead took longer than its limit."""


@contextmanager
def time_limit(seconds: float, words: str, leave_note: Callable[[str], None]) -> Iterator[None]:
    """Stop what runs inside after `seconds`: by OutOfTimeError(words), or on a worker by leaving a note and ending it."""
    if threading.current_thread() is threading.main_thread() and hasattr(signal, "setitimer"):
        with _interrupted(seconds, words):
            yield
    else:
        with _ended(seconds, words, leave_note):
            yield


@contextmanager
def _interrupted(seconds: float, words: str) -> Iterator[None]:
    def stop(_signal: int, _frame: FrameType | None) -> None:
        raise OutOfTimeError(words)

    before = signal.signal(signal.SIGALRM, stop)
    signal.setitimer(signal.ITIMER_REAL, seconds)
    try:
        yield
    finally:
        signal.setitimer(signal.ITIMER_REAL, 0)
        signal.signal(signal.SIGALRM, before)


@contextmanager
def _ended(seconds: float, words: str, leave_note: Callable[[str], None]) -> Iterator[None]:
    """A thread cannot be stopped from outside: the worker process ends and its keeper starts a new one.

    A library that hangs while it holds the interpreter lets no other thread run; the second guard needs none.
    """

    def give_up() -> None:
        try:
            leave_note(words)
        finally:
            os._exit(1)

    timer = threading.Timer(seconds, give_up)
    timer.daemon = True
    with open(os.devnull, "w", encoding="utf-8") as nowhere:
        faulthandler.dump_traceback_later(seconds + GRACE_S, exit=True, file=nowhere)
        timer.start()
        try:
            yield
        finally:
            timer.cancel()
            faulthandler.cancel_dump_traceback_later()
