"""Where the roof's faces are: planes, outlines, edges, obstacles.

grid → cellplanes → segment      the cloud as moments per cell, planes through them, faces as sets of cells (patches.py)
buildings                        ground, buildings, the one to work on
labels → contacts → outline      points of each face, lines between faces, straight-edged outlines (drafts.py: in turn)
overlooked                       faces of a few square metres, point by point, where cells are too coarse for them
clean → refine                   strips that are not the face taken off, the final plane with its covariance
edges, obstacles                 names of the sides, what stands on the face
level                            a level survey: one face
"""

from __future__ import annotations

from rowplane.config import PlanesConfig
from rowplane.model import Roof, Survey
from rowplane.planes.fit import fit_cloud
from rowplane.planes.level import fit_readings


def fit_planes(survey: Survey, config: PlanesConfig) -> Roof:
    """The pitched faces of the building to work on, largest first, and the face of every survey point.

    A roof without a pitched face comes back with no faces and the finding 'no-roof'. Points with NaN belong to no face.
    """
    if survey.kind == "level":
        return fit_readings(survey, config)
    return fit_cloud(survey, config)
