"""The few pieces every drawing is made of: elements, paths, nice steps, a frame from site to sheet."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from html import escape
from typing import Any

import numpy as np
from numpy.typing import NDArray

from surveys.drawings.paper import Paper, ink, sized

FloatArray = NDArray[np.float64]


def num(value: float) -> str:
    """Two decimals at most: a hundredth of a pixel is finer than any screen or printer."""
    text = f"{float(value):.2f}".rstrip("0").rstrip(".")
    return "0" if text in ("-0", "") else text


def el(tag: str, *children: str, **attributes: Any) -> str:
    """One element. `class_` and `stroke_width` become `class` and `stroke-width`; None leaves one out."""
    parts = [tag]
    for key, value in attributes.items():
        if value is None:
            continue
        name = key.rstrip("_").replace("_", "-")
        if name == "viewbox":
            name = "viewBox"
        text = num(value) if isinstance(value, float) else str(value)
        parts.append(f'{name}="{escape(text, quote=True)}"')
    head = " ".join(parts)
    return f"<{head}>{''.join(children)}</{tag}>" if children else f"<{head}/>"


def text(
    words: str, x: float, y: float, class_: str = "label", anchor: str | None = None, **more: Any
) -> str:
    return el("text", escape(words), x=float(x), y=float(y), class_=class_, text_anchor=anchor, **more)


def title(words: str) -> str:
    return el("title", escape(words))


def path_of(points: FloatArray | Sequence[Sequence[float]], *, closed: bool = False) -> str:
    """Path data through (N, 2) sheet points."""
    pairs = [f"{num(x)} {num(y)}" for x, y in points]
    if not pairs:
        return ""
    return "M" + "L".join(pairs) + ("Z" if closed else "")


def nice_step(span: float, wanted: int) -> float:
    """A step of 1, 2 or 5 times a power of ten that divides `span` into about `wanted` parts."""
    if not span > 0:
        return 1.0
    rough = span / max(wanted, 1)
    power = 10.0 ** math.floor(math.log10(rough))
    for factor in (1.0, 2.0, 5.0):
        if rough <= factor * power * (1 + 1e-9):
            return factor * power
    return 10.0 * power


def round_below(length: float) -> float:
    """The largest 1, 2 or 5 times a power of ten that is not above `length`."""
    power = 10.0 ** math.floor(math.log10(length) + 1e-9)
    return max(factor * power for factor in (1.0, 2.0, 5.0) if factor * power <= length * (1 + 1e-9))


def steps_within(low: float, high: float, step: float) -> list[float]:
    """Multiples of `step` in [low, high]."""
    first = math.ceil(low / step - 1e-9)
    last = math.floor(high / step + 1e-9)
    return [index * step for index in range(first, last + 1)]


def step_decimals(step: float) -> int:
    return max(0, -math.floor(math.log10(step) + 1e-9))


@dataclass(frozen=True)
class Frame:
    """From site metres (x east, y up) to sheet units (x right, y down).

    `left` and `top` are the sheet margins; `scale` is sheet units per metre.
    """

    x_min: float
    y_max: float
    scale: float
    left: float = 0.0
    top: float = 0.0
    y_scale: float | None = None

    def x(self, x_m: float) -> float:
        return self.left + (x_m - self.x_min) * self.scale

    def y(self, y_m: float) -> float:
        return self.top + (self.y_max - y_m) * (self.y_scale or self.scale)

    def points(self, xy_m: Any) -> FloatArray:
        """(N, 2) metres to (N, 2) sheet units."""
        given = np.asarray(xy_m, dtype=np.float64).reshape(-1, 2)
        sheet = np.empty_like(given)
        sheet[:, 0] = self.left + (given[:, 0] - self.x_min) * self.scale
        sheet[:, 1] = self.top + (self.y_max - given[:, 1]) * (self.y_scale or self.scale)
        return sheet


def drawing(
    width: float,
    height: float,
    parts: Iterable[str],
    *,
    name: str,
    class_: str,
    paper: Paper | None = None,
    role: str = "img",
    **more: Any,
) -> str:
    """A whole SVG, which keeps its shape at any width and carries its name for those who cannot see it.

    On `paper` it has physical size and its own ink. One with links in it is a `group`: the parts of an
    image are told to nobody.
    """
    return el(
        "svg",
        title(name),
        ink(paper),
        *parts,
        viewbox=f"0 0 {num(width)} {num(height)}",
        **(sized(width, height, paper) or {"width": num(width), "height": num(height)}),
        class_=f"drawing {class_}",
        role=role,
        xmlns="http://www.w3.org/2000/svg",
        aria_label=name,
        **more,
    )


def scale_bar(x: float, y: float, scale: float, longest: float, unit_m: float, symbol: str) -> str:
    """A two-part bar of a round length in the site's unit, at most `longest` sheet units long."""
    length = round_below(longest / scale / unit_m)
    whole = length * unit_m * scale
    ticks = f"M{num(x)} {num(y - 4)}v8M{num(x + whole / 2)} {num(y - 3)}v6M{num(x + whole)} {num(y - 4)}v8"
    return el(
        "g",
        el("path", d=f"M{num(x)} {num(y)}h{num(whole)}", class_="bar-line"),
        el("path", d=f"M{num(x)} {num(y)}h{num(whole / 2)}", class_="bar-fill"),
        el("path", d=ticks, class_="bar-line"),
        text("0", x, y + 16, "tick", "middle"),
        text(f"{length:,.{step_decimals(length)}f} {symbol}", x + whole, y + 16, "tick", "middle"),
        class_="scale-bar",
    )


def north_arrow(x: float, y: float, size: float = 30.0) -> str:
    half = size * 0.22
    return el(
        "g",
        el(
            "path",
            d=f"M{num(x)} {num(y)}l{num(-half)} {num(size)}l{num(half)} {num(-size * 0.24)}Z",
            class_="north-half",
        ),
        el(
            "path",
            d=f"M{num(x)} {num(y)}l{num(half)} {num(size)}l{num(-half)} {num(-size * 0.24)}Z",
            class_="north-open",
        ),
        text("N", x, y - 4, "label", "middle"),
        class_="north",
    )
