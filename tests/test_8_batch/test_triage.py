"""Sorting by the written result: each rule, and which of them speaks first."""

from typing import Any

import pytest

from rowplane.batch.triage import COLUMNS, failed, triage


def result(modules: int = 10, feet: int = 20, findings: tuple[tuple[str, str], ...] = (), **change: Any) -> dict[str, Any]:
    measure, out = change.get("measure", 0), change.get("out", 0)
    foot = [
        {"adjustment_mm": k - 5.04, "trust": "measure" if k < measure else "ok", "reach": "out-of-reach" if k < out else "ok"}
        | {"packer_mm": 5.0 if k == 0 else 0.0}
        for k in range(feet)
    ]
    rules = {"min_modules": 4, "max_measure_share": 0.5, "rafters_needed": True} | change.get("rules", {})
    return {
        "levels": {"feet": foot, "hooks": [{"packer_mm": 3.0}, {"packer_mm": 0.0}]},
        "layout": {"arrays": [{"modules": list(range(modules))}] if modules else []},
        "config": {"batch": rules, "module": {"power_w": 430}},
        "roof": {"faces": [1, 2]},
        "plan": {"rails": [1], "hooks": [1, 2]},
        "quality": {"verdict": "good"},
        "surfaces": [{"deviation_max_mm": 21.26}],
        "revision": "abc",
        "findings": [{"severity": s, "code": c, "text": f"{c} speaks."} for s, c in findings],
    }


def test_row_is_what_was_written() -> None:
    row = triage("n", result(measure=3))
    assert [row[k] for k in ("modules", "power_kw", "feet", "feet_to_measure", "packers", "deviation_max_mm")] == [
        10,
        4.3,
        20,
        3,
        2,
        21.3,
    ]
    assert (row["adjustment_min_mm"], row["adjustment_max_mm"]) == (-5.0, 14.0)
    assert set(row) == {name for name, *_ in COLUMNS}


@pytest.mark.parametrize(
    ("made", "verdict", "words"),
    [
        (result(), "ready", "10 modules"),
        (result(modules=3), "not-suitable", "Only 3 modules"),
        (result(modules=0, feet=0, findings=(("stop", "no-layout"),)), "not-suitable", "no-layout speaks"),
        (result(out=2), "site-check", "2 of 20 feet are out of reach"),
        (
            result(findings=(("person", "structure-sag"), ("person", "unit-guessed"))),
            "site-check",
            "structure-sag speaks. (and 1 more)",
        ),
        (result(findings=(("caution", "feet-to-measure"),)), "ready", "10 modules"),
        (result(measure=11), "site-check", "11 of 20 feet"),
        (result(measure=10), "ready", "10 of 20 feet to measure"),
        (result(findings=(("person", "rafters-unknown"),)), "site-check", "rafters-unknown speaks"),
        (result(findings=(("person", "rafters-unknown"),), rules={"rafters_needed": False}), "ready", "10 modules"),
    ],
)
def test_rules(made: dict[str, Any], verdict: str, words: str) -> None:
    row = triage("n", made)
    assert row["verdict"] == verdict
    assert words in str(row["reason"])


def test_a_failed_lead_has_a_row_too() -> None:
    row = failed("n", "It broke.")
    assert (row["verdict"], row["reason"], row["modules"]) == ("failed", "It broke.", None)
