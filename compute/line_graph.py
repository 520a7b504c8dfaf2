"""The held edges of a surface as chains: the toe ring, and each line between its ends and junctions."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from compute.records import IntArray


@dataclass(frozen=True)
class Chain:
    """Vertices in their order. A closed chain does not repeat its first; an open one keeps both ends."""

    vertices: IntArray
    closed: bool
    is_ring: bool
    junctions: frozenset[int]

    def inner(self, stride: int) -> IntArray:
        """Vertices that are no end and no junction. Of a closed chain the last few beyond a multiple of
        `stride` are held, so that no two neighbours share a number when counted round."""
        whole = self.vertices if self.closed else self.vertices[1:-1]
        if self.closed:
            whole = whole[: len(whole) // stride * stride]
        return np.array([v for v in whole.tolist() if v not in self.junctions], dtype=np.int32)

    def neighbours(self, inner: IntArray) -> tuple[IntArray, IntArray, IntArray]:
        """Before, itself, after, for vertices of `inner`."""
        place = {v: k for k, v in enumerate(self.vertices.tolist())}
        at = np.array([place[v] for v in inner.tolist()], dtype=np.int64)
        count = len(self.vertices)
        return self.vertices[(at - 1) % count], inner, self.vertices[(at + 1) % count]

    def segments(self, drop: NDArray[np.bool_]) -> IntArray:
        """(S, 2) vertex pairs of the chain without the dropped ones."""
        kept = self.vertices[~drop[self.vertices]]
        after = np.roll(kept, -1)
        pairs = np.column_stack([kept, after])
        return pairs if self.closed else pairs[:-1]


def chains_of(lines: IntArray, ring: IntArray) -> list[Chain]:
    """Chains of the held edges (L, 2); `ring` (M,) are the toe ring's vertices in order, or none.

    The ring comes first, then lines from the lowest vertex number up, closed ones last.
    """
    around: dict[int, list[int]] = defaultdict(list)
    on_ring = {tuple(sorted(pair)) for pair in zip(ring.tolist(), np.roll(ring, -1).tolist(), strict=True)}
    for a, b in sorted(tuple(pair) for pair in lines.tolist()):
        if (a, b) not in on_ring:
            around[a].append(b)
            around[b].append(a)
    members = set(ring.tolist())
    junctions = frozenset(v for v, near in around.items() if len(near) != 2 or v in members)
    chains = [Chain(ring.astype(np.int32), True, True, junctions)] if len(ring) else []
    walked: set[tuple[int, int]] = set()
    for start in sorted(junctions):
        for step in around[start]:
            if (start, step) not in walked:
                path = _walk(start, step, around, junctions, walked)
                chains.append(Chain(np.array(path, np.int32), False, False, junctions))
    for start in sorted(around):
        if start not in junctions and (start, around[start][0]) not in walked:
            path = _walk(start, around[start][0], around, junctions | {start}, walked)
            chains.append(Chain(np.array(path[:-1], np.int32), True, False, junctions))
    return chains


def _walk(
    start: int,
    step: int,
    around: dict[int, list[int]],
    stops: frozenset[int],
    walked: set[tuple[int, int]],
) -> list[int]:
    path = [start]
    here, there = start, step
    while True:
        walked.update(((here, there), (there, here)))
        path.append(there)
        if there in stops:
            return path
        one, other = around[there]
        here, there = there, other if one == here else one
