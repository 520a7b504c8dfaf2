"""Drawings on paper: a sheet unit of a fifth of a millimetre, a stated scale, and ink without a style sheet.

A drawing made with a `Paper` has physical size, so that a ruler on the print reads what the scale says.
Its ink stands in the drawing itself, in plain class selectors: a typesetter has no page around it.
"""

from __future__ import annotations

from dataclasses import dataclass

UNIT_MM = 0.2
"""Millimetres a sheet unit: 12 units of type are 6.8 points."""

DENOMINATORS = (
    50, 75, 100, 125, 200, 250, 300, 400, 500, 750, 1000, 1250, 2000, 2500, 3000, 4000, 5000, 7500,
    10_000, 12_500, 20_000, 25_000, 30_000, 40_000, 50_000, 75_000, 100_000,
)  # fmt: skip
"""Scales that metric scale rules have, and ten and a hundred times them. Common practice, no source."""


@dataclass(frozen=True)
class Paper:
    """Room on a page for one drawing, margins for its numbers included, and the scale it is drawn to."""

    width_mm: float
    height_mm: float
    denominator: int

    @property
    def width(self) -> float:
        """Sheet units."""
        return self.width_mm / UNIT_MM

    @property
    def height(self) -> float:
        return self.height_mm / UNIT_MM

    @property
    def units_per_m(self) -> float:
        return 1000.0 / self.denominator / UNIT_MM

    @property
    def words(self) -> str:
        return f"scale 1 : {self.denominator:,}"


def denominator_for(wide_m: float, high_m: float, room_mm: tuple[float, float]) -> int:
    """The largest scale of `DENOMINATORS` at which `wide_m` by `high_m` fits into `room_mm`.

    Something larger than the smallest scale can hold gets a round denominator of its own.
    """
    needed = max(wide_m * 1000.0 / room_mm[0], high_m * 1000.0 / room_mm[1])
    fitting = next((each for each in DENOMINATORS if each >= needed), None)
    return fitting or int(-(-needed // 100_000) * 100_000)


INK = """
text{font-family:"Libertinus Serif";fill:#1c2528;font-size:13.5px}
.tick{fill:#4a565b;font-size:12.5px}
.strong{fill:#1c2528;font-weight:bold}
.scale-words{font-size:14px;font-weight:bold}
.neat-line{fill:none;stroke:#1c2528;stroke-width:1}
.grid-line{fill:none;stroke:#d3cfc4;stroke-width:.7}
.bands{opacity:.5}
.contour{fill:none;stroke:#1c2528;stroke-width:.6;stroke-opacity:.75}
.contour-index{stroke-width:1.25;stroke-opacity:.95}
.contour-label{font-size:11.5px;font-weight:bold;stroke:#fff;stroke-width:3;paint-order:stroke}
.edge{fill:none;stroke:#1c2528;stroke-width:2.2}
.base-edge{fill:none;stroke:#125c68;stroke-width:1.3;stroke-dasharray:10 4}
.neighbour{fill:none;stroke:#5a666b;stroke-width:.9;stroke-dasharray:5 3}
.before-edge{fill:none;stroke:#5a666b;stroke-width:1.3;stroke-dasharray:6 3}
.shot{fill:none;stroke:#1c2528;stroke-width:.9}
.shot-toe{fill:#fff}.shot-wall{fill:#fff}
.shot-crest{fill:#1c2528}.shot-breakline{fill:#1c2528}
.shot-control{fill:#fff;stroke:#125c68;stroke-width:1.6}
.shot-check{stroke:#125c68;stroke-width:1.3}
.shot-rejected{stroke:#9c2f24;stroke-width:1.3}.shot-unknown{stroke:#9c2f24;stroke-width:1.3}
.cut-line{fill:none;stroke:#9c2f24;stroke-width:1.4;stroke-dasharray:11 3 2 3}
.north-half{fill:#1c2528;stroke:#1c2528;stroke-width:1}
.north-open{fill:#fff;stroke:#1c2528;stroke-width:1}
.bar-line{fill:none;stroke:#1c2528;stroke-width:1}
.bar-fill{fill:none;stroke:#1c2528;stroke-width:4}
.section-above{fill:#cbbf9f;fill-opacity:.75}
.section-below{fill:#c9876f;fill-opacity:.75}
.section-top{fill:none;stroke:#1c2528;stroke-width:1.8}
.section-base{fill:none;stroke:#1c2528;stroke-width:1.1;stroke-dasharray:9 4}
.section-before{fill:none;stroke:#5a666b;stroke-width:1.2;stroke-dasharray:3 2.5}
"""


def ink(paper: Paper | None) -> str:
    """The style sheet of a printed drawing; empty on a page, which has its own."""
    return "" if paper is None else f"<style>{INK}</style>"


def sized(width: float, height: float, paper: Paper | None) -> dict[str, str]:
    """Physical `width` and `height` of a printed drawing, for its root element."""
    if paper is None:
        return {}
    return {"width": f"{width * UNIT_MM:.3f}mm", "height": f"{height * UNIT_MM:.3f}mm"}
