"""Every check row on beams, screws, wind, snow and setbacks that a readable source carries is held by a test that names it."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

from published.rows import rows_of

CARRIED = (
    "B-01 to B-06, B-10 to B-14, B-20 to B-27, "
    "L-01 to L-07, L-10, L-15, L-17, L-18, L-30 to L-36, "
    "W-01 to W-07, W-10 to W-18, W-20 to W-22, W-24 to W-27, W-30, W-40 to W-48, "
    "S-01 to S-05, S-10, S-11, S-13, S-14, A-01 to A-03, A-05 to A-09"
)
"""CHECKS.md sections 1 to 5: rows tagged [S], [S2] or [C]."""
MEMORY = "L-11 to L-14, L-16, S-12, A-04"
"""Rows that rest on memory alone: no proof, and where one is used a sheet says so."""


def named() -> dict[str, list[str]]:
    """Row → tests that name it, in their docstring or their parameters."""
    found: dict[str, list[str]] = {}
    for path in sorted(Path(__file__).parent.glob("test_*.py")):
        tree = ast.parse(path.read_text(encoding="utf-8"))
        tables = {t.id: ast.unparse(n.value) for n in tree.body if isinstance(n, ast.Assign) for t in n.targets if isinstance(t, ast.Name)}
        for node in tree.body:
            if not isinstance(node, ast.FunctionDef) or not node.name.startswith("test_") or path.name == Path(__file__).name:
                continue
            marks = " ".join(ast.unparse(d) for d in node.decorator_list)
            said = " ".join([ast.get_docstring(node) or "", marks, *(text for name, text in tables.items() if name in marks)])
            for row in rows_of(said):
                found.setdefault(row, []).append(f"{path.stem}::{node.name}")
    return found


NAMED = named()


@pytest.mark.parametrize("row", sorted(rows_of(CARRIED)))
def test_row_is_held(row: str) -> None:
    assert NAMED.get(row), f"no test names {row}"


def test_what_rests_on_memory_is_no_carried_row() -> None:
    assert not rows_of(CARRIED) & rows_of(MEMORY)


def test_ranges_are_written_out() -> None:
    assert rows_of("L-01 to L-03, W-07 (B-26)") == {"L-01", "L-02", "L-03", "W-07", "B-26"}
