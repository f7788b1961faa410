"""Lists the check rows that the tests of this folder name, by id, after the run."""

from __future__ import annotations

from collections import Counter

import pytest

from published.rows import rows_of

PASSED, FAILED = pytest.StashKey[Counter[str]](), pytest.StashKey[Counter[str]]()


def pytest_configure(config: pytest.Config) -> None:
    config.stash[PASSED], config.stash[FAILED] = Counter(), Counter()


@pytest.hookimpl(hookwrapper=True)
def pytest_runtest_makereport(item: pytest.Item, call: pytest.CallInfo[None]):
    report = (yield).get_result()
    if report.when == "call" and isinstance(item, pytest.Function) and item.path.name != "test_rows.py":
        params = item.callspec.params if hasattr(item, "callspec") else {}
        said = " ".join([item.function.__doc__ or "", *(str(v) for v in params.values())])
        item.config.stash[PASSED if report.passed else FAILED].update(rows_of(said))


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter, config: pytest.Config) -> None:
    passed, failed = config.stash[PASSED], config.stash[FAILED]
    if passed or failed:
        words = [f"{row} {passed[row]}" + (f" ({failed[row]} failed)" if failed[row] else "") for row in sorted({*passed, *failed})]
        terminalreporter.write_line("check rows and how many tests hold them: " + ", ".join(words))
