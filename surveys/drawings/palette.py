"""Two colour scales: one even scale for heights, one two-sided scale for change.

Heights: the cividis map (Nuñez, Anderton, Renslow 2018, "Optimizing colormaps with consideration for
color vision deficiency", PLoS ONE 13(7): e0199239), ten anchors. Change: brown for removed,
blue-green for added, grey in between, which stay apart for people who do not see red and green apart.
"""

from __future__ import annotations

HEIGHTS = (
    "#00224e", "#123570", "#3b496c", "#575d6d", "#707173",
    "#8a8678", "#a59c74", "#c3b369", "#e1cc55", "#fee838",
)  # fmt: skip
REMOVED = ("#6b3d0a", "#9a6420", "#c5944c", "#e0c48d")
ADDED = ("#9fd3cc", "#58aca3", "#23837b", "#03564f")
NO_CHANGE = "#c9c9c4"


def _channels(colour: str) -> tuple[int, int, int]:
    return int(colour[1:3], 16), int(colour[3:5], 16), int(colour[5:7], 16)


def height_colour(share: float) -> str:
    """Colour at `share` of the way from the lowest (0) to the highest (1); clipped outside."""
    place = min(max(share, 0.0), 1.0) * (len(HEIGHTS) - 1)
    index = min(int(place), len(HEIGHTS) - 2)
    part = place - index
    low, high = _channels(HEIGHTS[index]), _channels(HEIGHTS[index + 1])
    return "#" + "".join(f"{round(a + (b - a) * part):02x}" for a, b in zip(low, high, strict=True))
