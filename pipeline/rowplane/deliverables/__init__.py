"""What people and programs read: content built once (sheets), then one writer per format, all or nothing.

sheets         all that is said, once: tables, drawings, order of work (content: the nouns; words: every label)
tables         rows and columns of the contract; places looks ids up and leads back to scan coordinates
drawing        each face as marks in u, v; lettering places the labels; keyplan the roof from above; solids in space
pages          the crew's pages as printed (page_content: the nouns; lengths: figures in words); marking_figure;
               crew_data, phone_plan for the phone
write          the folder: everything or nothing; failure what a lead leaves that gave no result; revised after a recheck
csv_tables, json_result, record, xlsx, svg, dxf, geo, model3d, png, html, pdf    one writer per format
               (the drawing in parts: dxf_marks, dxf_plan, dxf_sheets)
"""

from rowplane.deliverables.failure import write_failure
from rowplane.deliverables.revised import write_revised
from rowplane.deliverables.write import check_out, write_all

__all__ = ["check_out", "write_all", "write_failure", "write_revised"]
