"""What people and programs read: content built once (sheets), then one writer per format, all or nothing.

sheets       all that is said, once: tables, drawings, order of work
tables       rows and columns of the contract
drawing      each face as marks in u, v; lettering places the labels
write        the folder: everything or nothing
revised      tables after field readings
failure      what a lead leaves that gave no result
csv_tables, json_result, record, svg, png, html    one writer per format
"""

from rowplane.deliverables.failure import write_failure
from rowplane.deliverables.revised import write_revised
from rowplane.deliverables.write import write_all

__all__ = ["write_all", "write_failure", "write_revised"]
