"""An interrupt while a lead is being written down: it is in the log and the summary, or in neither."""

import os
import signal

import pytest

from rowplane.batch.night import _undisturbed


def test_an_interrupt_waits_for_both_entries() -> None:
    log: list[str] = []
    summary: list[str] = []
    before = signal.getsignal(signal.SIGINT)

    def enter() -> None:
        with _undisturbed():
            log.append("lead")
            os.kill(os.getpid(), signal.SIGINT)
            summary.append("lead")

    with pytest.raises(KeyboardInterrupt):
        enter()
    assert log == summary == ["lead"]
    assert signal.getsignal(signal.SIGINT) is before


def test_an_error_inside_is_not_swallowed_and_the_handler_comes_back() -> None:
    before = signal.getsignal(signal.SIGINT)
    with pytest.raises(OSError, match="disk"), _undisturbed():
        raise OSError("disk")
    assert signal.getsignal(signal.SIGINT) is before
