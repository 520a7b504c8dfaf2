"""Numbered strings as lines, and what to do where lines cross.

`CRS 1`, `BRK 2`, `WAL 1` are strings: their shots join into lines that the surface keeps as edges.
Shots of these roles without a number stay single points.
"""

from __future__ import annotations

import re
from collections import defaultdict
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from compute.coding import string_of
from compute.crossings import Segments, resolve, without_repeats
from compute.records import Finding, FloatArray, IntArray, Shots, read_only
from compute.roles import LINE_ROLES, ROLES

MARKS: dict[str, str] = {
    "B": "begin", "BEGIN": "begin", "START": "begin",
    "E": "end", "END": "end",
    "C": "close", "CLOSE": "close", "CLOSED": "close",
}  # fmt: skip
"""Marks after the number of a string, or alone in the note. Any other note is free text and means nothing."""

PRIORITY: tuple[str, ...] = ("ring", "wall", "crest", "breakline")
"""Where two lines cross at different heights, the earlier one stays."""

_DIGITS = re.compile(r"(\d+)")


@dataclass(frozen=True)
class Line:
    """Shots joined in their order.

    role       : `crest`, `breakline` or `wall`
    label      : the string as people write it, `CRS 1`
    shot_index : (K,) int32 indices into `Shots`, the first not repeated
    closed     : whether the last joins the first
    """

    role: str
    label: str
    shot_index: IntArray
    closed: bool


def natural_key(name: str) -> tuple[tuple[int, int, str], ...]:
    """Sort key that counts: `P9` before `P10`."""
    parts = _DIGITS.split(name.strip().upper())
    return tuple((0, int(part), part) if part.isdigit() else (1, 0, part) for part in parts if part)


def name_ranks(shots: Shots, index: IntArray) -> IntArray | None:
    """(K,) rank of each of these shots by point name, or None where the names do not tell an order.

    They do when every shot has one, all differ, and each holds a number.
    """
    names = [shots.name(int(i)).strip() for i in index]
    if len(set(names)) < len(names) or not all(_DIGITS.search(name) for name in names):
        return None
    order = sorted(range(len(names)), key=lambda k: natural_key(names[k]))
    ranks = np.empty(len(names), dtype=np.int32)
    ranks[order] = np.arange(len(names), dtype=np.int32)
    return ranks


def feature_lines(shots: Shots, use: NDArray[np.bool_]) -> tuple[Line, ...]:
    """Lines of the numbered strings among the shots in use, by file, role and label.

    Within a string the order is that of the point names where all have different ones, else that of the
    rows. A begin mark starts a new line, an end mark finishes one, a close mark joins back to its first
    shot. The same number in another file is another string.
    """
    strings: dict[tuple[int, str, str], list[int]] = defaultdict(list)
    named = {code: string_of(text) for code, text in enumerate(shots.codes)}
    is_line = np.array([role in LINE_ROLES for role in ROLES])
    for i in np.flatnonzero(use & is_line[shots.role]).tolist():
        feature, number = named[int(shots.code_index[i])]
        if number:
            key = int(shots.file_index[i]), ROLES[int(shots.role[i])], f"{feature} {number}"
            strings[key].append(i)
    lines: list[Line] = []
    for (_, role, label), members in sorted(strings.items()):
        lines += _cut_at_marks(shots, role, label, _in_order(shots, members))
    return tuple(lines)


def _in_order(shots: Shots, members: list[int]) -> list[int]:
    index = np.array(members, dtype=np.int32)
    ranks = name_ranks(shots, index)
    order = np.lexsort((index, shots.line[index])) if ranks is None else np.argsort(ranks)
    return [int(i) for i in index[order]]


def _cut_at_marks(shots: Shots, role: str, label: str, members: list[int]) -> list[Line]:
    lines: list[Line] = []
    run: list[int] = []

    def finish(closed: bool) -> None:
        if len(run) > 1:
            index = read_only(np.array(run, dtype=np.int32))
            lines.append(Line(role, label, index, closed and len(run) > 2))
        run.clear()

    for i in members:
        mark = _mark(shots, i)
        if mark == "begin":
            finish(closed=False)
        run.append(i)
        if mark in ("end", "close"):
            finish(closed=mark == "close")
    finish(closed=False)
    return lines


def _mark(shots: Shots, index: int) -> str:
    words = shots.code(index).upper().split()
    number_at = next((k for k, word in enumerate(words) if any(sign.isdigit() for sign in word)), len(words))
    for word in words[number_at + 1 :]:
        if word in MARKS:
            return MARKS[word]
    note: Any = "" if shots.notes is None else shots.notes[index]
    note = note.as_py() if hasattr(note, "as_py") else note
    return MARKS.get(str(note or "").strip().upper(), "")


def resolve_crossings(
    lines: tuple[Line, ...],
    ring: IntArray | None,
    x: FloatArray,
    y: FloatArray,
    z: FloatArray,
    tolerance_m: float,
    place: Callable[[int], str],
    use: NDArray[np.bool_] | None = None,
) -> tuple[IntArray, FloatArray, list[Finding]]:
    """Segments of the lines that cross neither each other nor the ring.

    x, y, z     : (N,) local frame, metres
    ring        : (M,) shot indices of the outer edge, or None
    tolerance_m : lines that cross at heights closer than this are joined there by a point of mean height
    use         : (N,) which shots shape the surface; a crossing exactly at one of them takes that shot
    returns (S, 2) int32 indices into the shots followed by the extra points; extra points (P, 3); findings

    Of lines that cross at different heights the one of higher priority stays (ring, wall, crest,
    breakline, then by label) and the crossing segment of the other is dropped. Nothing is split at the
    ring, so that the edge of the volume stays what the toe shots say.
    """
    first, second, rank, label = [], [], [], []
    if ring is not None:
        first.append(ring)
        second.append(np.roll(ring, -1))
        rank += [0] * len(ring)
        label += ["the outer edge"] * len(ring)
    for line in sorted(lines, key=lambda line: (PRIORITY.index(line.role), natural_key(line.label))):
        after = np.roll(line.shot_index, -1)
        count = len(line.shot_index) if line.closed else len(line.shot_index) - 1
        first.append(line.shot_index[:count])
        second.append(after[:count])
        rank += [PRIORITY.index(line.role)] * count
        label += [line.label] * count
    if not rank:
        return np.empty((0, 2), dtype=np.int32), np.empty((0, 3)), []
    segments = Segments(
        ends=np.column_stack([np.concatenate(first), np.concatenate(second)]).astype(np.int64),
        rank=np.array(rank),
        label=np.array(label, dtype=object),
    )
    points = np.column_stack([x, y, z])
    segments = without_repeats(segments, points)
    usable = np.zeros(len(points), dtype=np.bool_) if use is None else use
    kept, extra, findings = resolve(segments, points, usable, tolerance_m, place)
    return kept.ends[kept.rank > 0].astype(np.int32), extra, findings
