"""Text divided by runs of blanks → text divided by one sign, for all lines at once."""

from __future__ import annotations

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

UNIT_SEPARATOR = "\x1f"
"""Cannot stand in a point file: `decode` refuses control bytes."""

_SEPARATOR, _BLANK, _TAB, _NEWLINE = 0x1F, 0x20, 0x09, 0x0A


def divide_by_blanks(rows: NDArray[np.uint8], fixed: int, has_tail: bool) -> pa.Buffer | None:
    """`rows` (whole lines, the last one ended) with one separator between fields.

    The first `fixed` words of a line become fields. With `has_tail`, the rest of the line, its words
    divided by single blanks, becomes one more field, empty where there is no rest. None if a line has
    fewer than `fixed` words; without a tail, lines with too many words are left for the parser to see.
    """
    blank = (rows == _BLANK) | (rows == _TAB)
    newline = rows == _NEWLINE
    before_word = np.zeros_like(blank)
    before_word[:-1] = blank[:-1] & ~(blank[1:] | newline[1:])
    ends = np.flatnonzero(newline)
    _drop_indents(blank, before_word, ends)
    if not has_tail:
        out = np.where(before_word, np.uint8(_SEPARATOR), rows)
        return pa.py_buffer(out[~blank | before_word])
    places = np.flatnonzero(before_word)
    gaps_until = np.searchsorted(places, ends)
    gaps = np.diff(gaps_until, prepend=0)
    if (gaps < fixed - 1).any():
        return None
    rank = np.arange(len(places)) - np.repeat(gaps_until - gaps, gaps)
    out = rows.copy()
    out[places] = np.where(rank < fixed, np.uint8(_SEPARATOR), np.uint8(_BLANK))
    kept = ~blank | before_word
    out = out[kept]
    bare = gaps == fixed - 1
    if bare.any():
        out = np.insert(out, np.flatnonzero(out == _NEWLINE)[bare], np.uint8(_SEPARATOR))
    return pa.py_buffer(out)


def _drop_indents(blank: NDArray[np.bool_], before_word: NDArray[np.bool_], ends: NDArray[np.intp]) -> None:
    """Clear `before_word` where a line begins with blanks: the first word needs no separator."""
    starts = np.concatenate(([0], ends[:-1] + 1))
    indented = starts[blank[starts]]
    while len(indented):
        last = indented[before_word[indented]]
        before_word[last] = False
        indented = indented[blank[indented + 1]] + 1
