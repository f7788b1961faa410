"""What lies under the tiles: the tile grid, the substrate with its uncertainty, and how flat it is.

mapping.py tells the order of the work for one face; grid.py finds gauge and cover width, relief.py the repeating tile;
cells.py brings points down to one value per tile; field.py and smoothing.py are the Gaussian field of the substrate;
datum.py moves the face into the frame a crew can measure from; flatness.py and patches.py judge what was found;
levels.py brings a level survey to the same field.
"""

from rowplane.surface.mapping import map_surface

__all__ = ["map_surface"]
