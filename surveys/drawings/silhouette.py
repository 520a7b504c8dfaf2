"""The silhouette: a pile's own longest section as a small drawing, all piles of a list at one scale."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from surveys.drawings.svg import FloatArray, Frame, drawing, el, num, path_of


@dataclass(frozen=True)
class Profile:
    """A section along the pile, distances from its start.

    distance_m, top_m, base_m : (N,) float64; NaN where the surface does not reach
    """

    distance_m: FloatArray
    top_m: FloatArray
    base_m: FloatArray

    @classmethod
    def of(cls, distance_m: Any, top_m: Any, base_m: Any) -> Profile:
        """From any sequences; None counts as "no surface here"."""
        arrays = (np.array([np.nan if v is None else v for v in given], dtype=np.float64)
                  for given in (distance_m, top_m, base_m))  # fmt: skip
        return cls(*arrays)

    @classmethod
    def of_outlines(cls, top_m: Any, base_m: Any) -> Profile:
        """From two polylines of (distance, height); each is straight between its points."""
        top, base = (np.asarray(line, dtype=np.float64).reshape(-1, 2) for line in (top_m, base_m))
        distance = np.unique(np.concatenate([top[:, 0], base[:, 0]]))
        return cls(distance, _along(top, distance), _along(base, distance))

    @classmethod
    def of_pieces(cls, top: Sequence[Any], base: Sequence[Any], length_m: float) -> Profile:
        """From runs of (distance, height) with nothing between them, over a line of `length_m`."""
        runs = [np.asarray(piece, dtype=np.float64)[:, 0] for piece in (*top, *base)]
        distance = np.unique(np.concatenate([[0.0, length_m], *runs]))
        return cls(distance, _over_runs(top, distance), _over_runs(base, distance))

    @property
    def length_m(self) -> float:
        return float(self.distance_m[-1] - self.distance_m[0]) if len(self.distance_m) else 0.0

    @property
    def height_m(self) -> float:
        """Highest top over the lowest base."""
        known = np.isfinite(self.top_m) & np.isfinite(self.base_m)
        if not known.any():
            return 0.0
        return float(self.top_m[known].max() - self.base_m[known].min())


def _along(line_m: FloatArray, distance_m: FloatArray) -> FloatArray:
    if not len(line_m):
        return np.full(len(distance_m), np.nan)
    return np.interp(distance_m, line_m[:, 0], line_m[:, 1], left=np.nan, right=np.nan)


def _over_runs(pieces: Sequence[Any], distance_m: FloatArray) -> FloatArray:
    height = np.full(len(distance_m), np.nan)
    for piece in pieces:
        run = _along(np.asarray(piece), distance_m)
        height = np.where(np.isfinite(run), run, height)
    return height


@dataclass(frozen=True)
class ListScale:
    """One scale for all silhouettes of a list, so that the list looks like the yard."""

    units_per_m: float
    width: float
    height: float

    @classmethod
    def over(cls, profiles: list[Profile], width: float, largest_per_m: float = 4.0) -> ListScale:
        """The largest scale at which every profile fits into `width` sheet units."""
        longest = max((profile.length_m for profile in profiles), default=0.0)
        highest = max((profile.height_m for profile in profiles), default=0.0)
        per_m = min(largest_per_m, (width - 8) / longest) if longest > 0 else 1.0
        return cls(per_m, width, highest * per_m + 10)


def silhouette(profile: Profile, scale: ListScale, *, previous: Profile | None = None, name: str) -> str:
    """SVG of `profile` standing on its base line; `previous` is drawn behind in a thin line.

    Both are centred on the middle of the current profile and share its base level, so that a pile
    that grew is seen to have grown.
    """
    known = np.isfinite(profile.top_m) & np.isfinite(profile.base_m)
    if known.sum() < 2:
        return _unmeasured(scale, name)
    floor_m = float(profile.base_m[known].min())
    middle_m = float(profile.distance_m[0] + profile.length_m / 2)
    frame = Frame(
        x_min=middle_m - scale.width / scale.units_per_m / 2,
        y_max=floor_m + (scale.height - 5) / scale.units_per_m,
        scale=scale.units_per_m,
    )
    distance, top, base = profile.distance_m[known], profile.top_m[known], profile.base_m[known]
    top_line = frame.points(np.column_stack([distance, top]))
    base_line = frame.points(np.column_stack([distance, base]))
    body = np.vstack([top_line, base_line[::-1]])
    parts = []
    if previous is not None:
        parts.append(_previous(previous, frame, middle_m))
    parts += [
        el("path", d=path_of(body, closed=True), class_="heap-body"),
        el("path", d=path_of(top_line), class_="heap-top"),
        el("path", d=path_of(_with_pad(base_line)), class_="heap-base"),
    ]
    return drawing(scale.width, scale.height, parts, name=name, class_="silhouette")


def _previous(previous: Profile, frame: Frame, middle_m: float) -> str:
    known = np.isfinite(previous.top_m)
    shift = middle_m - float(previous.distance_m[0] + previous.length_m / 2)
    points = np.column_stack([previous.distance_m[known] + shift, previous.top_m[known]])
    return el("path", d=path_of(frame.points(points)), class_="heap-before")


def _with_pad(base_line: FloatArray) -> FloatArray:
    """The base line with a little of the pad on both sides, as a draughtsman would draw the ground."""
    left, right = base_line[0].copy(), base_line[-1].copy()
    left[0] -= 4
    right[0] += 4
    return np.vstack([left, base_line, right])


def _unmeasured(scale: ListScale, name: str) -> str:
    y = scale.height - 5
    line = el("path", d=f"M{num(scale.width * 0.2)} {num(y)}H{num(scale.width * 0.8)}", class_="heap-none")
    return drawing(scale.width, scale.height, [line], name=name, class_="silhouette")
