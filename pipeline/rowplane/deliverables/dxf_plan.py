"""The roof from above in layout.dxf: true position in survey millimetres, and how that lies in the scan's CRS."""

from __future__ import annotations

from typing import Any

import numpy as np

from rowplane.deliverables.content import FaceDrawing
from rowplane.deliverables.dxf_marks import add_mark, add_text
from rowplane.deliverables.geo import scan_crs
from rowplane.deliverables.words import say
from rowplane.model import RoofResult, SurveyFrame

HERE = (0.0, 0.0)
"""The plan is not moved: model space is the survey frame, X east, Y north, mm, from the survey's origin."""

_LAYERS = {"module": "PLAN-MODULE", "rail": "PLAN-RAIL", "hook": "PLAN-HOOK", "foot": "PLAN-FOOT"}

_CRS = """<?xml version="1.0" encoding="UTF-16" standalone="no" ?>
<Dictionary version="1.0" xmlns="http://www.osgeo.org/mapguide/coordinatesystem">
<Alias id="{epsg}" type="CoordinateSystem">
<ObjectId>EPSG:{epsg}</ObjectId>
<Namespace>EPSG Code</Namespace>
</Alias>
<Axis uom="METER">
<CoordinateSystemAxis>
<AxisOrder>1</AxisOrder>
<AxisName>Easting</AxisName>
<AxisAbbreviation>E</AxisAbbreviation>
<AxisDirection>east</AxisDirection>
</CoordinateSystemAxis>
<CoordinateSystemAxis>
<AxisOrder>2</AxisOrder>
<AxisName>Northing</AxisName>
<AxisAbbreviation>N</AxisAbbreviation>
<AxisDirection>north</AxisDirection>
</CoordinateSystemAxis>
</Axis>
</Dictionary>
"""


def plan_view(space: Any, result: RoofResult, plan: FaceDrawing) -> None:
    """Faces, modules, rails, hooks and feet where they are; the datum mark at the survey's origin tells the scan's coordinates."""
    for mark in plan.marks:
        add_mark(space, mark, HERE, "" if mark.shape == "label" else _LAYERS.get(mark.layer, "PLAN"))
    frame = result.survey.frame
    origin = space.add_blockref("DATUM", HERE, dxfattribs={"layer": "DATUM"})
    values = {f"ORIGIN_{axis}": f"{at:.4f}" for axis, at in zip("XYZ", frame.origin, strict=True)}
    origin.add_auto_attribs({"FACE": plan.face, **values, "UNIT": frame.unit, "EPSG": str(frame.epsg or "")})
    title = say("plan_title", plan=plan.title, note=plan.note)
    add_text(space, title, (plan.bounds[0], plan.bounds[3] + 400), 170, 0.0, "LEFT")


def add_geodata(space: Any, frame: SurveyFrame) -> None:
    """GEODATA of model space where the scan has a CRS with an EPSG code and its axes are the survey's."""
    crs = scan_crs(frame)
    epsg = crs.to_epsg() if crs is not None else None
    if epsg is None or not np.allclose(frame.axes, np.eye(3)):
        return
    in_crs = 1000 * crs.axis_info[0].unit_conversion_factor
    east, north = (float(x) * frame.unit_mm / in_crs for x in frame.origin[:2])
    geodata = space.new_geodata()
    geodata.setup_local_grid(design_point=HERE, reference_point=(east, north), crs=_CRS.format(epsg=epsg))
    # Ground mm → CRS: the CRS's own unit, and grid lengths where its scale factor is known.
    geodata.dxf.horizontal_unit_scale = geodata.dxf.vertical_unit_scale = frame.grid_scale / in_crs
