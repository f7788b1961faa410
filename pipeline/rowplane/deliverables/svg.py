"""layout.svg: every face seen square on, one under the other at one scale, from the drawing's marks."""

from __future__ import annotations

from collections.abc import Callable
from html import escape

from rowplane.deliverables.content import FaceDrawing, Files, Mark, Point, Sheets
from rowplane.deliverables.words import WORDS, say
from rowplane.model import RoofResult

MARGIN_MM = 700.0
HEAD_MM = 800.0
KEY_MM = 950.0
PLAN_LETTERS = 24.0
"""Letters of the key plan over its width: 10 pt where it is half a page wide."""
PLAN_LAYERS = ("outline", "obstacle", "edge", "module", "dimension")

STYLE = """
.d-outline{fill:#f7f3ec;stroke:#222;stroke-width:16}.d-edge{fill:none;stroke:#222;stroke-width:30;stroke-linecap:round}
.d-edge.eave{stroke:#0b5d8a}.d-edge.ridge{stroke:#8a2f0b}.d-edge.hip{stroke:#8a2f0b;stroke-dasharray:160 60}
.d-edge.valley{stroke:#0b5d8a;stroke-dasharray:60 60}.d-edge.verge{stroke:#444}.d-edge.step{stroke:#444;stroke-dasharray:160 60 30 60}
.d-usable{fill:none;stroke:#4c7a34;stroke-width:12;stroke-dasharray:80 50}
.d-obstacle{fill:#d8d2c8;stroke:#444;stroke-width:12}.d-patch{fill:#e9e2c4;stroke:#8a7a2a;stroke-width:8;stroke-dasharray:30 30}
.d-module{fill:#c9d8ea;fill-opacity:.75;stroke:#1d3a5f;stroke-width:10}.d-line{fill:none;stroke:#1d3a5f;stroke-width:8}
.d-rail{fill:none;stroke:#6b6b6b;stroke-width:34;stroke-linecap:butt}
.d-hook{fill:#fff;stroke:#111;stroke-width:10}.d-hook.find{stroke-dasharray:18 12}
.d-foot{fill:#0b6b3a;stroke:#fff;stroke-width:8}.d-foot.measure{fill:#fff;stroke:#b1003a;stroke-width:20}
.d-splice{fill:#fff;stroke:#6b6b6b;stroke-width:12}
.d-text{font-family:DejaVu Sans,Verdana,Arial,sans-serif;fill:#111;text-anchor:middle}
.d-text.t-rail,.d-text.t-hook{fill:#333}.d-text.t-edge{fill:#333;font-style:italic}.d-text.t-module{fill:#1d3a5f}
.d-halo{paint-order:stroke;stroke:#fff;stroke-width:14;stroke-opacity:.8;stroke-linejoin:round}
.d-text.d-head{text-anchor:start}.d-scale{fill:none;stroke:#111;stroke-width:14}.d-north{fill:#111}
"""


def svg_files(result: RoofResult, sheets: Sheets) -> Files:
    """layout.svg; without faces a page that says why."""
    return {"layout.svg": layout_svg(sheets).encode()}


def layout_svg(sheets: Sheets) -> str:
    """All faces on one page, the lead's name, survey date and revision on top."""
    wide = max([d.bounds[2] - d.bounds[0] for d in sheets.drawings], default=0.0)
    width = max(wide + 2 * MARGIN_MM, 10_500.0)
    parts, y = [], 1500.0
    for drawing in sheets.drawings:
        parts.append(face_group(drawing, MARGIN_MM, y + HEAD_MM, titled=True))
        y += HEAD_MM + drawing.bounds[3] - drawing.bounds[1] + KEY_MM + 200
    head = [
        _text(MARGIN_MM, 480, 240, _fit(sheets.lead, 240, width - 2 * MARGIN_MM), "d-head"),
        _text(MARGIN_MM, 800, 150, _fit(sheets.headline, 150, width - 2 * MARGIN_MM), "d-head"),
        _text(
            MARGIN_MM,
            1060,
            130,
            say("layout_said", date=sheets.survey_date, revision=sheets.revision),
            "d-head",
        ),
        _text(MARGIN_MM, 1280, 110, WORDS["screening"], "d-head"),
    ]
    return svg_document((0.0, 0.0, width, y + 200), [*head, *parts], say("layout_of", lead=sheets.lead))


def plan_svg(drawing: FaceDrawing, width: str = "") -> str:
    """The roof from above, with scale bar and north arrow; `width` as CSS length. Letters keep their size on the page."""
    left, low, right, top = drawing.bounds
    wide, high = max(right - left, 5600.0), top - low
    letter = wide / PLAN_LETTERS

    def place(p: Point) -> Point:
        return 300 + p[0] - left, 300 + top - p[1]

    thin = letter / 12
    marks = [mark_svg(m, place) for m in drawing.marks if m.layer in PLAN_LAYERS]
    foot = high + 300 + 1.6 * letter
    below = [_scale_bar(300, foot, letter), _north(wide - letter, foot + letter, 0.0, letter / 120)]
    thick = (
        f"<style>.d-outline,.d-edge{{stroke-width:{thin:.0f}}}.d-module{{stroke-width:{thin / 2:.0f}}}"
        f".d-dimension{{fill:none;stroke:#111;stroke-width:{2 * thin:.0f}}}</style>"
    )
    return svg_document((0.0, 0.0, wide + 600, foot + 2.4 * letter), [thick, *marks, *below], drawing.title, True, width)


def svg_document(
    box: tuple[float, float, float, float], parts: list[str], title: str, styled: bool = True, width: str = ""
) -> str:
    """An SVG document in drawing millimetres; shown at 1:50 where the viewer honours its size."""
    x, y, w, h = box
    size = f'style="width:{width}"' if width else f'width="{w / 50:.1f}mm" height="{h / 50:.1f}mm"'
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="{x:.0f} {y:.0f} {w:.0f} {h:.0f}" {size} role="img">\n'
        f"<title>{escape(title)}</title>\n{f'<style>{STYLE}</style>' if styled else ''}\n"
        f'<rect x="{x:.0f}" y="{y:.0f}" width="{w:.0f}" height="{h:.0f}" fill="#fff"/>\n' + "\n".join(parts) + "\n</svg>\n"
    )


def face_group(drawing: FaceDrawing, x: float, y: float, titled: bool = False) -> str:
    """The marks of a face, top left corner of its bounds at x, y; title above; key, scale bar and north arrow below."""
    left, low, _, top = drawing.bounds

    def place(p: Point) -> Point:
        return x + p[0] - left, y + top - p[1]

    bodies = [mark_svg(m, place) for m in drawing.marks if m.shape != "label"]
    letters = [mark_svg(m, place) for m in drawing.marks if m.shape == "label"]
    foot_y = y + top - low + 420
    head = [_scale_bar(x, foot_y), _north(x + 5900, foot_y, drawing.north_deg), _key(drawing, x, foot_y + 380)]
    if titled:
        head += [_text(x, y - 420, 170, drawing.title, "d-head"), _text(x, y - 240, 110, drawing.note, "d-head")]
    return "\n".join([f'<g data-face="{escape(drawing.face)}">', *head, *bodies, *letters, "</g>"])


KEY: tuple[tuple[str, Mark], ...] = (
    ("key_foot", Mark("foot", "spot", ((0.0, 0.0),), style="ok")),
    ("key_measure", Mark("foot", "spot", ((0.0, 0.0),), style="measure")),
    ("key_hook", Mark("hook", "spot", ((0.0, 0.0),))),
    ("key_find", Mark("hook", "spot", ((0.0, 0.0),), style="find")),
    ("key_splice", Mark("splice", "spot", ((0.0, 0.0),))),
    ("key_usable", Mark("usable", "path", ((-70.0, 0.0), (70.0, 0.0)))),
    ("key_patch", Mark("patch", "area", ((-60.0, -40.0), (60.0, -40.0), (60.0, 40.0), (-60.0, 40.0)))),
)


def _key(drawing: FaceDrawing, x: float, y: float) -> str:
    """What the marks mean; only those that are on this face."""
    there = {(m.layer, m.style) for m in drawing.marks} | {("patch", "") for m in drawing.marks if m.layer == "patch"}
    parts, at = [], x + 60.0
    for key, mark in KEY:
        words = WORDS[key]
        if (mark.layer, mark.style) in there:
            parts.append(mark_svg(mark, lambda p, at=at: (at + p[0], y - p[1])))  # type: ignore[misc]
            parts.append(_text(at + 120, y + 38, 105, words, "d-head"))
            at += 320 + 66 * len(words)
    return "".join(parts)


def mark_svg(mark: Mark, place: Callable[[Point], Point]) -> str:
    """One mark as an element; `place` turns u, v into page coordinates."""
    at = [place(p) for p in mark.points]
    kind = f"d-{mark.layer} {mark.style}".strip()
    name = f' data-id="{escape(mark.name)}"' if mark.name and mark.shape != "label" else ""
    if mark.shape == "label":
        return _label(mark, at[0])
    if mark.shape == "spot":
        return _spot(mark, at[0], kind, name)
    if mark.shape == "path":
        return f'<polyline class="{kind}"{name} points="{_points(at)}"/>'
    rings = [at, *([place(p) for p in hole] for hole in mark.holes)]
    path = " ".join(f"M{_points(r)}Z" for r in rings)
    return f'<path class="{kind}"{name} fill-rule="evenodd" d="{path}"/>'


def _spot(mark: Mark, at: Point, kind: str, name: str) -> str:
    x, y = at
    if mark.layer == "hook":
        return f'<rect class="{kind}"{name} x="{x - 38:.1f}" y="{y - 24:.1f}" width="76" height="48"/>'
    if mark.layer == "splice":
        return f'<rect class="{kind}"{name} x="{x - 40:.1f}" y="{y - 12:.1f}" width="80" height="24"/>'
    if mark.style == "measure":
        return f'<path class="{kind}"{name} d="M{x:.1f},{y - 52:.1f}L{x + 48:.1f},{y + 34:.1f}L{x - 48:.1f},{y + 34:.1f}Z"/>'
    return f'<circle class="{kind}"{name} cx="{x:.1f}" cy="{y:.1f}" r="36"/>'


def _label(mark: Mark, at: Point) -> str:
    x, y = at
    turn = f' transform="rotate({-mark.turn:.1f} {x:.1f} {y:.1f})"' if mark.turn else ""
    return (
        f'<text class="d-text t-{mark.layer} d-halo" x="{x:.1f}" y="{y + 0.36 * mark.height:.1f}" font-size="{mark.height:.0f}"{turn}>'
        f"{escape(mark.text)}</text>"
    )


def _points(points: list[Point]) -> str:
    return " ".join(f"{x:.1f},{y:.1f}" for x, y in points)


def _text(x: float, y: float, size: float, text: str, kind: str) -> str:
    return f'<text class="d-text {kind}" x="{x:.0f}" y="{y:.0f}" font-size="{size:.0f}">{escape(text)}</text>'


def _fit(text: str, size: float, width: float) -> str:
    most = max(int(width / (0.62 * size)), 8)
    return text if len(text) <= most else text[: most - 1] + "…"


def _scale_bar(x: float, y: float, size: float = 110.0) -> str:
    ticks = "".join(f'<path class="d-scale" d="M{x + k * 1000:.0f},{y - size / 2:.0f}v{size:.0f}"/>' for k in range(6))
    words = "".join(
        _text(x + k * 1000 - 0.3 * size, y + 1.7 * size, size, say("metres", n=k) if k == 5 else str(k), "d-head")
        for k in ((0, 1, 5) if size < 800 else (0, 5))
    )
    return f'<path class="d-scale" d="M{x:.0f},{y:.0f}h5000"/>{ticks}{words}'


def _north(x: float, y: float, turn: float, size: float = 1.0) -> str:
    """An arrow 300 drawing mm long at size 1, turned clockwise."""
    arrow = '<path class="d-north" d="M0,-200l80,300l-80,-70l-80,70Z"/>'
    letter = f'<text class="d-text" y="-230" font-size="120">{escape(WORDS["north"])}</text>'
    return f'<g transform="translate({x:.0f} {y:.0f}) rotate({turn:.1f}) scale({size:.2f})">{arrow}{letter}</g>'
