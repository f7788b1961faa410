"""From files to one Survey: readers by suffix, unit and coordinate system, cleaning; and how good the scan is.

files     can the file be read, which bytes is it
opened    what every reader hands over, in chunks
las ply open3d_io text e57 mesh raster      one reader each
level     level-survey sheets
crs       unit, coordinate system, grid to ground
cleaning  outliers, and clouds that are none
footprint the roof's plan polygon
field     readings from the roof
earlier   the result they are taken into
survey    read_survey: all of that in order
quality   judge_scan: good, measure some feet, or not fit
"""

from rowplane.ingest.earlier import read_earlier_result
from rowplane.ingest.field import read_field_readings
from rowplane.ingest.quality import judge_scan
from rowplane.ingest.survey import read_survey

__all__ = ["judge_scan", "read_earlier_result", "read_field_readings", "read_survey"]
