"""Codes to roles: which shots shape the surface, the base, or nothing.

Rules are data (`compute.roles`): role → patterns with shell wildcards, without regard to case,
matched against the whole code and against its first word. Given rules are tried before the defaults.
Among given rules the most specific pattern decides (one without wildcards, then the one with most
plain signs), so that the order in which rules were written or stored never matters.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from fnmatch import fnmatchcase
from typing import Any

import numpy as np
import pyarrow as pa

from compute.errors import BadOption
from compute.pointfiles.records import Points
from compute.records import Shots, read_only
from compute.roles import DEFAULT_RULES, ROLE_INDEX, ROLES

Rules = tuple[tuple[tuple[str, str], ...], ...]
"""Tiers tried in order; each tier holds (pattern in capitals, role) pairs."""

GIVEN_ROLES: tuple[str, ...] = tuple(role for role in ROLES if role != "unknown")
BLANK = '""'
"""The blank code, as written in the text of rules."""

_NUMBERED = re.compile(r"([^\W\d_]+)[-_.]?(\d+)")


def parse_rules(text: str) -> dict[str, tuple[str, ...]]:
    """`"toe=EDGE*|T*,spot=SP*"` as role → patterns. `""` as a pattern stands for the blank code.

    Raises BadOption that names the fault and the allowed roles. An empty text gives no rules.
    """
    rules: dict[str, tuple[str, ...]] = {}
    for part in text.split(",") if text.strip() else []:
        role, equals, patterns = (piece.strip() for piece in part.partition("="))
        if not equals:
            raise _bad_rule(f'"{part.strip()}" has no "=".')
        found = tuple(pattern.strip() for pattern in patterns.split("|"))
        if "" in found:
            raise _bad_rule(f'"{part.strip()}" has an empty pattern.')
        rules[role] = rules.get(role, ()) + tuple("" if pattern == BLANK else pattern for pattern in found)
    _tier(rules)
    return rules


def rules_text(rules: Mapping[str, Sequence[str]]) -> str:
    """The text that `parse_rules` reads back."""
    return ",".join(
        f"{role}={'|'.join(pattern or BLANK for pattern in patterns)}" for role, patterns in rules.items()
    )


def merge_rules(given: Mapping[str, Sequence[str]] | None = None) -> Rules:
    """The given rules, then the defaults. Raises BadOption for an unknown role or contradicting rules."""
    default = _tier(DEFAULT_RULES)
    return (_tier(given), default) if given else (default,)


def _tier(rules: Mapping[str, Sequence[str]]) -> tuple[tuple[str, str], ...]:
    """One tier of pairs. Raises BadOption."""
    owner: dict[str, str] = {}
    for role, patterns in rules.items():
        if role not in GIVEN_ROLES:
            raise _bad_rule(f'"{role}" is not a role.')
        for pattern in patterns:
            if set(pattern) & set(",|="):
                raise _bad_rule(f'The pattern "{pattern}" holds a sign that divides rules.')
            other = owner.setdefault(pattern.upper(), role)
            if other != role:
                raise _bad_rule(f'The pattern "{pattern}" is given to {other} and to {role}.')
    return tuple(owner.items())


def _bad_rule(fault: str) -> BadOption:
    return BadOption(
        f"The rules for codes cannot be read: {fault}",
        where="roles",
        remedy=f"Write role=PATTERN|PATTERN, joined by commas. Roles: {', '.join(GIVEN_ROLES)}.",
    )


def role_of(code: str, rules: Rules) -> str:
    """The role of one code; `unknown` if no rule knows it. Raises BadOption if two rules fit equally well."""
    whole = code.strip().upper()
    names = {whole, whole.split(maxsplit=1)[0] if whole else ""}
    for tier in rules:
        fitting = [
            (_weight(pattern), role, pattern)
            for pattern, role in tier
            if any(fnmatchcase(name, pattern) for name in names)
        ]
        if fitting:
            best = max(weight for weight, _, _ in fitting)
            chosen = {role: pattern for weight, role, pattern in fitting if weight == best}
            if len(chosen) > 1:
                told = " and ".join(f"{role}={pattern}" for role, pattern in sorted(chosen.items()))
                raise _bad_rule(f'The code "{code}" fits {told} equally well.')
            return next(iter(chosen))
    return "unknown"


def _weight(pattern: str) -> tuple[bool, int]:
    """How specific a pattern is: without wildcards first, then by the number of plain signs."""
    plain = re.sub(r"\[[^\]]+\]|[*?]", "", pattern)
    return plain == pattern, len(plain)


def assign_roles(points: Sequence[Points], rules: Rules) -> Shots:
    """The points of one or more files as shots in the site frame, metres, in file order.

    A blank code is a spot unless a given rule says otherwise. A code that no rule knows gets the role
    `unknown`, which belongs to no surface. `line` and `file_index` lead back to the file. Raises
    ValueError for no file at all, BadOption for rules that contradict each other on a code.
    """
    if not points:
        raise ValueError("assign_roles needs the points of at least one file")
    codes = tuple(sorted({code for part in points for code in part.codes}))
    place = {code: index for index, code in enumerate(codes)}
    code_index = np.concatenate(
        [np.array([place[code] for code in part.codes], dtype=np.int32)[part.code_index] for part in points]
    )
    role_of_code = np.array([ROLE_INDEX[role_of(code, rules)] for code in codes], dtype=np.int8)
    return Shots(
        x_m=read_only(np.concatenate([part.easting_m for part in points])),
        y_m=read_only(np.concatenate([part.northing_m for part in points])),
        z_m=read_only(np.concatenate([part.elevation_m for part in points])),
        role=read_only(role_of_code[code_index]),
        code_index=read_only(code_index),
        codes=codes,
        line=read_only(np.concatenate([part.line for part in points])),
        file_index=read_only(
            np.repeat(np.arange(len(points), dtype=np.int16), [len(part) for part in points])
        ),
        files=tuple(part.source for part in points),
        names=_joined([part.names for part in points], [len(part) for part in points]),
        notes=_joined([part.notes for part in points], [len(part) for part in points]),
    )


def _joined(columns: list[Any], lengths: list[int]) -> Any:
    """Text columns of several files as one, blank where a file has none; None where no file has any."""
    if all(column is None for column in columns):
        return None
    if len(columns) == 1:
        return columns[0]
    filled = [
        pa.repeat(pa.scalar("", pa.string()), length) if column is None else column
        for column, length in zip(columns, lengths, strict=True)
    ]
    return pa.concat_arrays(filled)


def string_of(code: str) -> tuple[str, str]:
    """Feature and number of a numbered string, in capitals and without leading zeros.

    >>> string_of("CRS 1"), string_of("crs01 end"), string_of("TOE")
    (('CRS', '1'), ('CRS', '1'), ('TOE', ''))
    """
    words = code.upper().split()
    if not words:
        return "", ""
    if len(words) > 1 and words[1].isascii() and words[1].isdigit():
        return words[0], words[1].lstrip("0") or "0"
    attached = _NUMBERED.fullmatch(words[0])
    if attached and attached.group(2).isascii():
        return attached.group(1), attached.group(2).lstrip("0") or "0"
    return words[0], ""
