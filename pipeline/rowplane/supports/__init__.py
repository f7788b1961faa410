"""Rails, hooks and feet under the modules, the loads on them, and everything that goes up the ladder.

grid      rows, chains and lines of an array          rails     options, and the smallest cure where none will do
choose    the integer program of the rails            feet      where feet stand, their kind, what they carry
hooks     which courses carry a rail                  assemble  chosen rails → rails, hooks, feet
beam      a rail as continuous beam
loads     forces at the hooks                         pressures what acts on the feet, by the lead or a standard
check     what a hook is used to                      standards one file per published standard
cutting   splices and cutting list                    parts     the parts list
place     the stage
"""

from rowplane.supports.parts import list_parts
from rowplane.supports.place import place_supports

__all__ = ["list_parts", "place_supports"]
