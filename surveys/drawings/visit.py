"""Marks of a planned visit on a pile's plan: stations, what sees what, and what stays hidden."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from surveys.drawings.svg import FloatArray, Frame, el, num, text

STATION = "m0 -8l7 12h-14Z"


@dataclass(frozen=True)
class VisitMarks:
    """Site frame, metres. `sights`: pairs of stations that see each other over the pile as it stands;
    `hidden_m`: (H, 2) middles of the cells that no station sees."""

    stations: dict[str, tuple[float, float]]
    sights: tuple[tuple[str, str], ...] = ()
    hidden_m: FloatArray = field(default_factory=lambda: np.empty((0, 2)))


def marks_of_visit(frame: Frame, visit: VisitMarks | None) -> str:
    if visit is None:
        return ""
    at = {name: frame.points([place])[0] for name, place in visit.stations.items()}
    lines = [f"M{num(at[a][0])} {num(at[a][1])}L{num(at[b][0])} {num(at[b][1])}" for a, b in visit.sights]
    cells = "".join(f"M{num(x - 3.5)} {num(y - 3.5)}l7 7m0 -7l-7 7" for x, y in frame.points(visit.hidden_m))
    parts = [
        el("path", d="".join(lines), class_="sees") if lines else "",
        el("path", d=cells, class_="hidden-cell") if cells else "",
    ]
    for name, (x, y) in at.items():
        parts.append(el("path", d=f"M{num(x)} {num(y)}{STATION}", class_="shot shot-control"))
        parts.append(text(name, x + 11, y + 1, "station-name"))
    return el("g", *parts, class_="visit")
