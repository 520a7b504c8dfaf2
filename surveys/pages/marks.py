"""Small shapes that carry a state or a weight, so that none is told by colour alone. 14 × 14 units."""

from __future__ import annotations

from surveys.drawings.svg import el


def _line(d: str, width: str = "1.6", **more: str) -> str:
    return el("path", d=d, fill="none", stroke="currentColor", stroke_width=width, **more)


def _ring(radius: str, **more: str) -> str:
    return el(
        "circle", cx="7", cy="7", r=radius, fill="none", stroke="currentColor", stroke_width="1.4", **more
    )


_SHAPES = {
    "stop": (
        el("path", d="M4.2 0h5.6L14 4.2v5.6L9.8 14H4.2L0 9.8V4.2Z", fill="currentColor"),
        el("path", d="M3.5 7h7", stroke="var(--sheet)", stroke_width="2.2"),
    ),
    "warn": (_line("M7 .6L13.8 13H.2Z", stroke_linejoin="round"), _line("M7 5v4M7 10.2v1.3")),
    "note": (_ring("6.2"), _line("M7 3.2v1.5M7 6v5")),
    "settled": (_line("M1.5 7.6l3.6 3.8L12.8 2.6", "2"),),
    "late": (_ring("6.2"), _line("M7 3v4l2.8 2", "1.5")),
    "open": (_ring("5.4"),),
    "quarter": (_ring("5.4"), el("path", d="M7 7V1.6A5.4 5.4 0 0 1 12.4 7Z", fill="currentColor")),
    "half": (_ring("5.4"), el("path", d="M7 1.6A5.4 5.4 0 0 1 7 12.4Z", fill="currentColor")),
    "full": (el("circle", cx="7", cy="7", r="6", fill="currentColor"),),
    "hollow": (_ring("5.4", stroke_dasharray="2.4 2"),),
}


def mark_svg(name: str) -> str:
    """The shape as SVG, hidden from readers of the page's words: the word stands beside it."""
    return el("svg", *_SHAPES[name], class_=f"mark mark-{name}", viewbox="0 0 14 14", aria_hidden="true")
