"""What to do next, for whoever calls a command without saying on what."""

from __future__ import annotations

from pathlib import Path

SCANS = (".las", ".laz", ".ply", ".pcd", ".xyz", ".e57", ".obj", ".stl", ".glb", ".tif", ".tiff")
STEPS = {
    "run": (
        "rowplane inspect roof.laz     says whether a scan is good enough",
        "rowplane run roof.laz         does the whole job with every default, into roof-layout/",
        "rowplane config init > lead.toml     starts a lead with rafters, hardware and setbacks of your own",
    ),
    "inspect": ("rowplane inspect roof.laz     or a folder with a lead.toml",),
    "batch": (
        "rowplane batch leads/ --out results/               every lead of a folder",
        "rowplane batch leads/ --out results/ --dry-run     says what that would do",
    ),
    "recheck": ("rowplane recheck roof-layout --readings readings.csv     the file that the crew page exports",),
    "show": ("rowplane config show lead.toml     or the folder it lies in",),
}
"""First steps per command."""


def next_steps(command: str, folder: Path) -> tuple[str, ...]:
    """Lines that say what could be typed; the first names what lies in `folder` where that is a lead."""
    steps = STEPS.get(command, ("rowplane --help",))
    if command not in ("run", "inspect"):
        return steps
    here = sorted(path.name for path in folder.iterdir() if path.suffix.lower() in SCANS)
    if (folder / "lead.toml").is_file():
        return (f"rowplane {command} .     takes the lead.toml of this folder", *steps)
    return (f"rowplane {command} {here[0]}     takes the scan of this folder", *steps) if len(here) == 1 else steps
