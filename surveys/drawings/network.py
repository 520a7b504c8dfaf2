"""The network of a field book to scale: stations, courses, sights, shots, misclosure and error ellipses.

Lengths are in the book's unit. Misclosure and ellipses are millimetres on a yard of hundreds of metres: both
are drawn larger by a round factor of their own, which stands beside them.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from surveys.drawings.graticule import MARGIN_LEFT, MARGIN_RIGHT, MARGIN_TOP, fit, grid
from surveys.drawings.paper import INK
from surveys.drawings.plan import MARKS
from surveys.drawings.section import Ruler
from surveys.drawings.svg import (
    FloatArray,
    Frame,
    drawing,
    el,
    north_arrow,
    num,
    round_below,
    scale_bar,
    text,
)

if TYPE_CHECKING:
    from compute.traverse.least_squares import Ellipse
    from surveys.fieldbook_sheets import Network, NetworkLine, NetworkStation

BOTTOM = 84.0
PLACED = "m-4.4 0a4.4 4.4 0 1 0 8.8 0a4.4 4.4 0 1 0 -8.8 0"
VECTOR_LENGTH, ELLIPSE_AXIS = 96.0, 34.0
"""Sheet units that the longest vector and the longest half axis may take."""


NETWORK_INK = """
.course{fill:none;stroke:#1c2528;stroke-width:1.6}
.sight-line{fill:none;stroke:#5a666b;stroke-width:.9;stroke-dasharray:6 4}
.new-station{fill:#fff;stroke:#1c2528;stroke-width:1.6}
.station-name{font-weight:bold;stroke:#fff;stroke-width:3;paint-order:stroke}
.error-ellipse{fill:none;stroke:#125c68;stroke-width:1.3}
.misclosure{fill:none;stroke:#9c2f24;stroke-width:2}
.visit-shots{fill:none;stroke:#5a666b;stroke-width:1.6;stroke-linecap:round}
"""


@dataclass(frozen=True)
class Exaggeration:
    """How many times larger than the network each is drawn; None where there is nothing to draw."""

    misclosure: float | None
    ellipses: float | None

    @property
    def words(self) -> str:
        said = []
        if self.misclosure is not None:
            said.append(f"misclosure × {self.misclosure:,.0f}")
        if self.ellipses is not None:
            said.append(f"error ellipses (one standard deviation) × {self.ellipses:,.0f}")
        return ", ".join(said)


def network(
    net: Network,
    shots: FloatArray | None = None,
    *,
    symbol: str,
    width: float = 960.0,
    name: str,
    printed: bool = False,
) -> tuple[str, Exaggeration]:
    """SVG of the network, north up, and by how much its small parts are exaggerated.

    `shots`: (N, 2) easting, northing in the unit of the book; `symbol` of that unit. `printed`: with ink of
    its own, for a typesetter that has no page around it.
    """
    ruler = Ruler(1.0, symbol)
    places = np.array([[station.easting, station.northing] for station in net.stations])
    around = [places] if shots is None or not len(shots) else [places, shots]
    frame, height, box = fit(around, width, air=0.08, bottom=BOTTOM)
    larger = exaggeration(net, frame.scale)
    at = {station.name: frame.points([place])[0] for station, place in zip(net.stations, places, strict=True)}
    parts = [
        f"<style>{INK}{NETWORK_INK}</style>" if printed else "",
        grid(frame, box, ruler),
        _shots(frame, shots),
        *(_line(line, at) for line in net.lines),
        *(
            _ellipse(station.ellipse, at[station.name], frame.scale * (larger.ellipses or 1.0))
            for station in net.stations
            if station.ellipse is not None
        ),
        *(_station(station, at[station.name]) for station in net.stations),
        _misclosure(net, at, frame.scale * (larger.misclosure or 0.0)),
        scale_bar(MARGIN_LEFT, height - 24, frame.scale, 220.0, 1.0, symbol),
        text(larger.words, MARGIN_LEFT + 290, height - 20, "tick"),
        north_arrow(width - MARGIN_RIGHT - 18, MARGIN_TOP + 26),
    ]
    return drawing(width, height, parts, name=name, class_="network"), larger


def exaggeration(net: Network, scale: float) -> Exaggeration:
    """Round factors at which the vector and the largest ellipse show; `scale` is sheet units a unit."""
    off = 0.0 if net.misclosure is None else math.hypot(*net.misclosure)
    axis = max((s.ellipse.semi_major for s in net.stations if s.ellipse is not None), default=0.0)
    return Exaggeration(_factor(off, scale, VECTOR_LENGTH), _factor(axis, scale, ELLIPSE_AXIS))


def _factor(length: float, scale: float, room: float) -> float | None:
    return max(1.0, round_below(room / (length * scale))) if length > 1e-9 else None


def _shots(frame: Frame, shots: FloatArray | None) -> str:
    if shots is None or not len(shots):
        return ""
    dots = "".join(f"M{num(x)} {num(y)}h0" for x, y in frame.points(shots))
    return el("path", d=dots, class_="visit-shots")


def _line(line: NetworkLine, at: dict[str, FloatArray]) -> str:
    if line.start not in at or line.end not in at:
        return ""
    (x1, y1), (x2, y2) = at[line.start], at[line.end]
    drawn = f"M{num(x1)} {num(y1)}L{num(x2)} {num(y2)}"
    return el("path", d=drawn, class_="course" if line.course else "sight-line")


def _station(station: NetworkStation, place: FloatArray) -> str:
    """A triangle is known, a circle was placed by the book; a cross through it was only compared."""
    x, y = place
    shape = MARKS["control"] if station.standing != "new" else PLACED
    kind = "shot-control" if station.standing != "new" else "new-station"
    body = [el("path", d=f"M{num(x)} {num(y)}{shape}", class_=f"shot {kind}")]
    if station.standing == "beside":
        body.append(el("path", d=f"M{num(x - 6)} {num(y - 6)}l12 12m0 -12l-12 12", class_="shot shot-check"))
    body.append(text(station.name, x + 10, y - 7, "station-name"))
    return el("g", *body, class_="station")


def _ellipse(ellipse: Ellipse, place: FloatArray, scale: float) -> str:
    x, y = place
    return el(
        "ellipse",
        cx=float(x),
        cy=float(y),
        rx=ellipse.semi_major * scale,
        ry=max(ellipse.semi_minor * scale, 0.5),
        transform=f"rotate({num(ellipse.azimuth_deg - 90.0)} {num(x)} {num(y)})",
        class_="error-ellipse",
    )


def _misclosure(net: Network, at: dict[str, FloatArray], scale: float) -> str:
    """From the known place to the computed one, which is where the courses end."""
    if net.misclosure is None or not scale or net.closes_on not in at:
        return ""
    x, y = at[net.closes_on]
    north, east = net.misclosure
    tip = np.array([x + east * scale, y - north * scale])
    along = (tip - (x, y)) / math.hypot(east * scale, north * scale)
    aside = np.array([-along[1], along[0]])
    (x1, y1), (x2, y2) = (tip - 9 * along + side * aside for side in (4, -4))
    head = f"M{num(x1)} {num(y1)}L{num(tip[0])} {num(tip[1])}L{num(x2)} {num(y2)}"
    shaft = el("path", d=f"M{num(x)} {num(y)}L{num(tip[0])} {num(tip[1])}", class_="misclosure")
    return el("g", shaft, el("path", d=head, class_="misclosure"), class_="misclosure-vector")
