"""Labels of points: a face's index (0 and up) or one of these codes."""

GROUND, WALL, TREE, HEDGE, CHIMNEY, VENT, WINDOW, AERIAL = -1, -2, -3, -4, -5, -6, -7, -8
NEIGHBOUR, GUTTER, CAP, OUTLIER, TRAY = -9, -10, -11, -12, -13
NAMES = {
    GROUND: "ground",
    WALL: "wall",
    TREE: "tree",
    HEDGE: "hedge",
    CHIMNEY: "chimney",
    VENT: "vent",
    WINDOW: "roof window",
    AERIAL: "aerial",
    NEIGHBOUR: "neighbour's roof",
    GUTTER: "gutter",
    CAP: "cap",
    OUTLIER: "outlier",
    TRAY: "valley tray",
}
