"""rowplane: from a survey of a tile roof to the height of every foot that carries a solar module."""

__version__ = "0.1.0"
