"""`rowplane check-setup`: which libraries are there, in which version, and whether they load."""

from __future__ import annotations

import importlib
import sys
from importlib.metadata import PackageNotFoundError, version

from rowplane.cli.output import print_json

LIBRARIES = {
    "numpy": "numpy", "scipy": "scipy", "scikit-learn": "sklearn", "shapely": "shapely", "trimesh": "trimesh",
    "laspy": "laspy", "lazrs": "lazrs", "pyproj": "pyproj", "rasterio": "rasterio", "ezdxf": "ezdxf", "pydantic": "pydantic",
    "matplotlib": "matplotlib", "jinja2": "jinja2", "typst": "typst", "openpyxl": "openpyxl", "distributed": "distributed",
    "open3d": "rowplane.ingest.open3d_io",
}  # fmt: skip
OPTIONAL = {"pye57": "pye57", "pvlib": "pvlib"}


def check_libraries(as_json: bool) -> bool:
    """Print a line per library; True when every library that is not optional loads."""
    rows = [_try(name, module, False) for name, module in LIBRARIES.items()]
    rows += [_try(name, module, True) for name, module in OPTIONAL.items()]
    if as_json:
        print_json({"python": sys.version.split()[0], "libraries": rows})
    else:
        print(f"Python {sys.version.split()[0]}")
        for row in rows:
            print(f"{row['library']:<14}{row['version']:<14}{row['state']}")
    return all(row["state"] == "ok" or row["optional"] for row in rows)


def _try(name: str, module: str, optional: bool) -> dict[str, str | bool]:
    try:
        loaded = importlib.import_module(module)
        if name == "open3d":
            loaded.load_open3d()
        state = "ok"
    except Exception as error:  # a library can fail to load in any way its native code likes
        state = f"missing ({type(error).__name__}: {error})" if not optional else "not installed (optional)"
    return {"library": name, "version": _version(name), "state": state, "optional": optional}


def _version(name: str) -> str:
    for distribution in (name, f"{name}-cpu"):
        try:
            return version(distribution)
        except PackageNotFoundError:
            continue
    return "-"
