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
        "surfaces": [
            {"deviation_max_mm": 21.26, "flatness": {"zone_lsq_mm": 30.14}},
            {"deviation_max_mm": 9.0, "flatness": {"zone_lsq_mm": 41.58}},
            {"deviation_max_mm": 5.0, "flatness": None},
        ],
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
    assert (row["adjustment_min_mm"], row["adjustment_max_mm"], row["flatness_mm"]) == (-5.0, 14.0, 41.6)
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
            "structure-sag speaks. Also: unit-guessed.",
        ),
        (result(findings=(("caution", "feet-to-measure"),)), "ready", "10 modules"),
        (result(measure=11), "site-check", "11 of 20 feet"),
        (result(measure=10), "ready", "10 of 20 feet to measure"),
        (result(findings=(("person", "rafters-unknown"),)), "site-check", "rafters-unknown speaks"),
        (result(findings=(("person", "rafters-unknown"),), rules={"rafters_needed": False}), "ready", "10 modules"),
        (result(findings=(("caution", "loads-not-screened"),)), "ready", "Loads not screened."),
    ],
)
def test_rules(made: dict[str, Any], verdict: str, words: str) -> None:
    row = triage("n", made)
    assert row["verdict"] == verdict
    assert words in str(row["reason"])


def test_a_failed_lead_has_a_row_too() -> None:
    row = failed("n", "It broke.")
    assert (row["verdict"], row["reason"], row["modules"]) == ("failed", "It broke.", None)


def finding(code: str, text: str, severity: str = "person", value: float | None = None) -> dict[str, Any]:
    return {"code": code, "severity": severity, "text": text, "value": value, "limit": None if value is None else 10.0}


def test_the_reason_is_one_sentence_of_what_decides() -> None:
    made = result(out=2)
    made["findings"] = [
        finding("unit-guessed", "The unit was taken to be m: so read, it is 5.2 m high."),
        finding("structure-sag", "Face A sags 11 mm. Have it seen.", value=11.0),
        finding("structure-sag", "Face B sags 1.9 cm, 1/36 of 0.7 m. Have it seen.", value=19.0),
        finding("rafters-unknown", "Rafters of face A are not known."),
        finding("foot-out-of-reach", "Foot A1-0-1 lacks 3 mm."),
        finding("foot-out-of-reach", "Foot A1-0-2 lacks 2 mm."),
        finding("scan-not-fit", "16 points/m² are few (30 are needed): fly lower. Points scatter by 40 mm."),
    ]
    assert triage("n", made)["reason"] == (
        "16 points/m² are few (30 are needed): fly lower. "
        "Also: foot-out-of-reach, structure-sag (2), unit-guessed, rafters-unknown."
    )
    made["findings"].pop()
    assert str(triage("n", made)["reason"]).startswith("2 of 20 feet are out of reach of the array plane. Also: structure-sag (2)")
    made = result()
    made["findings"] = [finding("structure-sag", f"Face {f} sags {v} mm. Have it seen.", value=v) for f, v in (("A", 11.0), ("B", 19.5))]
    assert triage("n", made)["reason"] == "Face B sags 19.5 mm."


def test_what_stops_the_job_speaks_before_what_needs_a_person() -> None:
    made = result(findings=(("person", "scan-not-fit"), ("stop", "no-layout")))
    assert triage("n", made)["reason"] == "no-layout speaks. Also: scan-not-fit."


def test_a_rule_is_a_setting_of_the_lead() -> None:
    assert triage("n", result(modules=6, rules={"min_modules": 8}))["verdict"] == "not-suitable"
    assert triage("n", result(measure=3, rules={"max_measure_share": 0.1}))["verdict"] == "site-check"
