"""A lead is found, read and checked: one value, with its origin, for every setting."""

import os
from datetime import date
from pathlib import Path

import pytest

from rowplane.errors import RowplaneError
from rowplane.findings import finding
from rowplane.leads import load_lead, presets_folder


def lead_folder(tmp_path: Path, text: str, scan: str = "roof.laz") -> Path:
    (tmp_path / scan).write_bytes(b"x")
    (tmp_path / "lead.toml").write_text(text, encoding="utf-8")
    return tmp_path


HEAD = 'name = "n"\nscan = "roof.laz"\n'


def test_a_bare_scan_has_all_defaults(tmp_path: Path) -> None:
    scan = tmp_path / "roof.laz"
    scan.write_bytes(b"x")
    lead = load_lead(scan)
    assert (lead.name, lead.scan, lead.survey_date, lead.origins) == ("roof", (scan,), None, {})


def test_a_folder_with_one_scan_is_a_lead(tmp_path: Path) -> None:
    (tmp_path / "roof.laz").write_bytes(b"x")
    assert load_lead(tmp_path).scan == (tmp_path / "roof.laz",)


def test_lead_wins_over_preset_and_set_over_lead(tmp_path: Path) -> None:
    text = HEAD + 'survey_date = 2026-05-04\n[hardware]\npreset = "low_foot_45"\nlift_max_mm = 60\n'
    lead = load_lead(lead_folder(tmp_path, text), {"hardware.max_hook_span_mm": "900"})
    hardware = lead.config.hardware
    assert (hardware.lift_max_mm, hardware.max_hook_span_mm, hardware.thread_pitch_mm) == (60, 900, 1.5)
    assert lead.origins["hardware.lift_max_mm"] == "lead.toml"
    assert lead.origins["hardware.max_hook_span_mm"] == "--set"
    assert lead.origins["hardware.thread_pitch_mm"] == "low_foot_45.toml"
    assert lead.survey_date == date(2026, 5, 4)


def test_set_may_name_a_preset(tmp_path: Path) -> None:
    """Its values come in, below what the lead or another --set says."""
    path = lead_folder(tmp_path, HEAD + "[placement.setback_mm]\nverge = 410\n")
    loaded = load_lead(path, {"placement.preset": "ifc2012", "placement.setback_mm.hip": "120"})
    kept = loaded.config.placement
    assert (kept.path_mm, kept.setback_mm.ridge) == (914.4, 914.4)
    assert (kept.setback_mm.verge, kept.setback_mm.hip) == (410, 120)
    assert loaded.origins["placement.path_mm"] == "ifc2012.toml"
    assert loaded.origins["placement.setback_mm.hip"] == "--set"
    with pytest.raises(RowplaneError, match=r"placement\.preset"):
        load_lead(path, {"placement.preset": "ifc2013"})


@pytest.mark.parametrize(
    ("key", "value", "words"),
    [
        ("hardware.stock_length_mm", "[0]", "at least one positive length"),
        ("placement.setback_mm.eave", "-5", "greater than or equal to 0"),
        ("module.zone_long_mm", "[900, 100]", "zone_long_mm must run from 0"),
        ("module.width_mm", "2000", "must not exceed height_mm"),
        ("hardware.lift_max_mm", "10", "greater than lift_min_mm"),
    ],
)
def test_values_that_contradict_are_refused_in_words(key: str, value: str, words: str, tmp_path: Path) -> None:
    with pytest.raises(RowplaneError) as error:
        load_lead(lead_folder(tmp_path, HEAD), {key: value})
    assert words in str(error.value)
    assert key.partition(".")[0] in str(error.value)


def test_extends_looks_beside_the_file_then_among_presets(tmp_path: Path) -> None:
    (tmp_path / "shared.toml").write_text('extends = "modules/landscape_430.toml"\n[module]\npower_w = 431\n')
    lead = load_lead(lead_folder(tmp_path, 'extends = "shared.toml"\n' + HEAD))
    assert (lead.config.module.power_w, lead.config.module.held_short) == (431, False)


@pytest.mark.parametrize("preset", sorted(presets_folder().rglob("*.toml")), ids=lambda p: p.stem)
def test_every_shipped_file_loads(preset: Path, tmp_path: Path) -> None:
    """configs/ holds nothing that does not load; whole examples name their own scan."""
    text = preset.read_text(encoding="utf-8")
    scan = "readings.csv" if "readings.csv" in text else "roof.laz"
    if "\nscan" not in text:
        text = HEAD + text
    lead = load_lead(lead_folder(tmp_path, text, scan))
    assert lead.origins


def test_one_rafter_table_or_several(tmp_path: Path) -> None:
    one = load_lead(lead_folder(tmp_path, HEAD + "[rafters]\nspacing_mm = 600\n"))
    two = load_lead(
        lead_folder(tmp_path, HEAD + "[[rafters]]\nspacing_mm = 600\nazimuth_deg = 10\n[[rafters]]\npositions_mm = [1, 700]\n")
    )
    assert (len(one.config.rafters), len(two.config.rafters)) == (1, 2)


BAD = {
    "unknown key": ("[module]\nwidht_mm = 1134\n", "module.widht_mm", "width_mm"),
    "unknown table": ("[modul]\nwidth_mm = 1134\n", "modul", "module"),
    "unknown key in a list": ("[[rafters]]\nspacing_mm = 600\nwidht_mm = 45\n", "rafters.0.widht_mm", "width_mm"),
    "negative size": ("[module]\nwidth_mm = -1134\n", "module.width_mm", "greater than"),
    "absurd size": ("[module]\nheight_mm = 1e9\n", "module.height_mm", "less than"),
    "a place on no roof": ('[[placement.fixed]]\nface = "A"\nu_mm = 1e308\nv_mm = 0\n', "placement.fixed.0.u_mm", "less than"),
    "not a number": ("[module]\nwidth_mm = nan\n", "module.width_mm", "finite"),
    "travel upside down": ("[hardware]\nlift_min_mm = 70\nlift_max_mm = 20\n", "hardware", "lift_max_mm must be greater"),
    "zero stock": ("[hardware]\nstock_length_mm = [0]\n", "hardware", "positive length"),
    "negative setback": ("[placement.setback_mm]\neave = -1\n", "placement.setback_mm.eave", "greater than or equal"),
    "rafters twice": ("[rafters]\nspacing_mm = 600\npositions_mm = [1]\n", "rafters.0", "either"),
    "unknown preset": ('[module]\npreset = "landscape_340"\n', "module.preset", "landscape_430"),
}


@pytest.mark.parametrize(("text", "subject", "words"), BAD.values(), ids=BAD.keys())
def test_bad_settings_are_named(text: str, subject: str, words: str, tmp_path: Path) -> None:
    with pytest.raises(RowplaneError) as error:
        load_lead(lead_folder(tmp_path, HEAD + text))
    assert subject in error.value.subject
    assert words in str(error.value)


BAD_FILES = {
    "broken toml": ("name = ", "not TOML"),
    "no scan": ('name = "n"\n', "a file name"),
    "missing scan": ('name = "n"\nscan = "other.laz"\n', "does not exist"),
    "absolute scan": ('name = "n"\nscan = "/etc/passwd"\n', "inside the lead's folder"),
    "scan outside": ('name = "n"\nscan = "../roof.laz"\n', "inside the lead's folder"),
    "empty name": ('name = " "\nscan = "roof.laz"\n', "1 to 200 characters"),
    "bad date": (HEAD + 'survey_date = "may"\n', "year-month-day"),
    "circle": ('extends = "lead.toml"\n' + HEAD, "extend each other"),
    "extends outside": ('extends = "../other.toml"\n' + HEAD, "a file beside this one"),
}


@pytest.mark.parametrize(("text", "words"), BAD_FILES.values(), ids=BAD_FILES.keys())
def test_bad_files_are_named(text: str, words: str, tmp_path: Path) -> None:
    folder = tmp_path / "lead"
    folder.mkdir()
    (tmp_path / "roof.laz").write_bytes(b"x")
    (tmp_path / "other.toml").write_text("")
    with pytest.raises(RowplaneError, match=words):
        load_lead(lead_folder(folder, text))


def test_a_folder_without_one_scan_says_what_it_holds(tmp_path: Path) -> None:
    with pytest.raises(RowplaneError, match="an empty folder"):
        load_lead(tmp_path)
    for name in ("a.laz", "b.laz"):
        (tmp_path / name).write_bytes(b"x")
    with pytest.raises(RowplaneError, match=r"2 files and no lead\.toml"):
        load_lead(tmp_path)


RING = '{"type": "Polygon", "coordinates": [[[0,0],[9,0],[9,9],[0,0]]]}'


def test_a_footprint_lies_in_the_leads_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "lead").mkdir()
    folder = lead_folder(tmp_path / "lead", HEAD + '[ingest]\nfootprint = "plan.geojson"\n')
    monkeypatch.chdir(tmp_path)
    (tmp_path / "plan.geojson").write_text(RING)
    with pytest.raises(RowplaneError, match="does not exist"):
        load_lead(folder)  # one of that name where the command happens to run is another
    (folder / "plan.geojson").write_text(RING)
    assert load_lead(folder).config.ingest.footprint == str(folder / "plan.geojson")


@pytest.mark.parametrize("name", ["/etc/hostname", "../plan.geojson", "link.geojson", "a" * 5000, "a\\u0000b"])
def test_a_footprint_outside_is_not_looked_at(name: str, tmp_path: Path) -> None:
    (tmp_path / "lead").mkdir()
    (tmp_path / "plan.geojson").write_text(RING)
    (tmp_path / "lead" / "link.geojson").symlink_to(tmp_path / "plan.geojson")
    with pytest.raises(RowplaneError, match=r"ingest\.footprint"):
        load_lead(lead_folder(tmp_path / "lead", HEAD + f'[ingest]\nfootprint = "{name}"\n'))


def test_a_footprint_of_the_command_line_may_lie_where_it_runs(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "lead").mkdir()
    (tmp_path / "plan.geojson").write_text(RING)
    monkeypatch.chdir(tmp_path)
    lead = load_lead(lead_folder(tmp_path / "lead", HEAD), {"ingest.footprint": '"plan.geojson"'})
    assert lead.config.ingest.footprint == str(tmp_path / "plan.geojson")


@pytest.mark.parametrize("listed", [True, False])
def test_a_scan_that_links_outside_is_refused(listed: bool, tmp_path: Path) -> None:
    (tmp_path / "lead").mkdir()
    (tmp_path / "other.laz").write_bytes(b"x")
    (tmp_path / "lead" / "roof.laz").symlink_to(tmp_path / "other.laz")
    if listed:
        (tmp_path / "lead" / "lead.toml").write_text(HEAD)
    with pytest.raises(RowplaneError, match="inside the lead's folder"):
        load_lead(tmp_path / "lead")


@pytest.mark.parametrize("end", ["/dev/zero", "../other.toml", "nowhere.toml"])
def test_a_lead_file_that_links_outside_or_nowhere_is_refused(end: str, tmp_path: Path) -> None:
    """And not passed over: the folder's one scan would then be laid out with every default."""
    folder = lead_folder(tmp_path, HEAD)
    (tmp_path.parent / "other.toml").write_text(HEAD)
    (folder / "lead.toml").unlink()
    (folder / "lead.toml").symlink_to(end)
    for named in (folder, folder / "lead.toml"):
        with pytest.raises(RowplaneError):
            load_lead(named)


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="no named pipes here")
@pytest.mark.parametrize("name", ["lead.toml", "roof.laz"])
def test_nobody_waits_for_a_pipe(name: str, tmp_path: Path) -> None:
    folder = lead_folder(tmp_path, HEAD)
    (folder / name).unlink()
    os.mkfifo(folder / name)
    for named in (folder, folder / name):
        with pytest.raises(RowplaneError, match="a pipe or a device"):
            load_lead(named)


def test_a_path_that_no_system_takes_is_said(tmp_path: Path) -> None:
    with pytest.raises(RowplaneError, match="too long"):
        load_lead(tmp_path / ("x" * 5000))


def test_a_name_steers_no_terminal(tmp_path: Path) -> None:
    """Control characters, ECMA-48: ESC begins what moves the cursor, changes colours or renames the window."""
    folder = lead_folder(tmp_path, 'name = "a\\u001b[2Jb\\u009bc"\nscan = "roof.laz"\n')
    assert load_lead(folder).name == "a\\x1b[2Jb\\x9bc"
    (folder / "lead.toml").write_text(HEAD + '"\\u001b[2J" = 1\n')
    with pytest.raises(RowplaneError) as error:
        load_lead(folder)
    assert "\x1b" not in str(error.value)
    assert "\\x1b[2J" in error.value.subject
    assert finding("unit-guessed", "a\x1bb", "c\x07d").text == "c\\x07d"
