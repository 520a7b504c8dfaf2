"""What the words of a header, or of a declaration, mean.

`X` and `Y` have two meanings in the trade: X is the easting on most plans and the northing in some
national systems. They are understood only in a header that says x, y, z in this order: X is then the
easting and Y the northing. Any other use of X or Y has to be declared.
"""

from __future__ import annotations

import re
from collections.abc import Sequence

from compute.errors import BadOption, ColumnsUnknown
from compute.pointfiles.problems import ProblemList
from compute.pointfiles.records import COORDINATES, ROLES_OF_COLUMNS
from compute.pointfiles.values import PLACEHOLDER, looks_like_number


def _words(text: str) -> frozenset[str]:
    return frozenset(text.split())


SPELLINGS: dict[str, frozenset[str]] = {
    "point": _words(
        "p pt pts pnt point pointno pointnr pointnumber pointname pointid pid ptno ptnr ptnum ptid ptname "
        "name id no nr num number shot shotno shotnumber"
    ),
    "northing": _words("n north northing northings"),
    "easting": _words("e east easting eastings"),
    "elevation": _words("z h el elev elevation elevations height rl level reducedlevel alt altitude"),
    "code": _words("c code codes pointcode featurecode feature"),
    "description": _words("desc descr description"),
    "note": _words("note notes remark remarks comment comments"),
    "x": _words("x"),
    "y": _words("y"),
}
MEANING: dict[str, str] = {word: role for role, words in SPELLINGS.items() for word in words}

UNIT_WORDS: dict[str, tuple[str, ...]] = {
    **dict.fromkeys(_words("m metre metres meter meters"), ("metre",)),
    **dict.fromkeys(_words("ft feet foot"), ("foot", "us-survey-foot")),
    **dict.fromkeys(_words("ift ftint intft internationalfoot internationalfeet"), ("foot",)),
    **dict.fromkeys(
        _words("ftus usft sft ussft usfoot usfeet ussurveyfoot ussurveyfeet surveyfoot surveyfeet"),
        ("us-survey-foot",),
    ),
    **dict.fromkeys(_words("mm cm dm km in inch inches yd yard yards"), ()),
}
"""Unit written in a header → the declared units it agrees with."""

_BRACKETS = re.compile(r"\s*[(\[{]([^)\]}]*)[)\]}]")
_SUFFIX = re.compile(r"(?<=[^\W_])[\s_]+([a-z]+)$")


def join_brackets(line: str) -> str:
    """`N (m) E (m)` → `N(m) E(m)`: in text divided by blanks a unit belongs to the word before it."""
    return _BRACKETS.sub(lambda found: found.group().strip().replace(" ", ""), line)


def word_and_unit(text: str) -> tuple[str, str]:
    """The bare word of a header field and the unit written with it: `Northing [m]` → `northing`, `m`."""
    lowered = text.strip().lower()
    unit = ""
    for found in _BRACKETS.findall(lowered):
        unit = _bare(found)
    lowered = _BRACKETS.sub("", lowered)
    suffix = _SUFFIX.search(lowered)
    if suffix and suffix.group(1) in UNIT_WORDS:
        unit, lowered = suffix.group(1), lowered[: suffix.start()]
    return _bare(lowered), unit if unit in UNIT_WORDS else ""


def _bare(text: str) -> str:
    return "".join(sign for sign in text if sign.isalnum())


def known_words(fields: Sequence[str]) -> int:
    """How many fields are usual header words."""
    return sum(word_and_unit(field)[0] in MEANING for field in fields)


def is_header(fields: Sequence[str]) -> bool:
    """True for a line that holds words and no number."""
    return any(field[:1].isalpha() for field in fields) and not any(looks_like_number(f) for f in fields)


def is_header_over(fields: Sequence[str], columns: Sequence[str]) -> bool:
    """True for a first line whose three coordinate fields are words, although columns were declared."""
    places = [columns.index(role) for role in COORDINATES]
    if max(places) >= len(fields):
        return False
    words = [fields[place] for place in places]
    return all(
        word[:1].isalpha() and not looks_like_number(word) and not PLACEHOLDER.fullmatch(word)
        for word in words
    )


def meanings(fields: Sequence[str]) -> list[str]:
    """Role of each header field, `""` for unknown words and for X or Y that could be either way round."""
    found = [MEANING.get(word_and_unit(field)[0], "") for field in fields]
    described = "note" if "code" in found else "code"
    found = [described if role == "description" else role for role in found]
    if _xyz_in_order(found):
        plain = {"x": "easting", "y": "northing"}
        words = [word_and_unit(field)[0] for field in fields]
        if "z" in words[found.index("y") :]:
            return [plain.get(role, role) for role in found]
    return found


def _xyz_in_order(found: list[str]) -> bool:
    if found.count("x") != 1 or found.count("y") != 1 or "northing" in found or "easting" in found:
        return False
    return found.index("x") < found.index("y")


def columns_of_header(fields: Sequence[str], line: int, name: str) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Role of each header field, and remarks. Raises ColumnsUnknown with everything wrong in the header."""
    found = meanings(fields)
    problems = ProblemList(name)
    remarks = []
    for role in ROLES_OF_COLUMNS:
        places = [place for place, other in enumerate(found) if other == role]
        for place in places[1:]:
            problems.add(
                f'the header names the {role} twice: "{fields[places[0]]}" and "{fields[place]}".',
                "Declare the column order and ignore one of the two.",
                line=line,
                column=place + 1,
                field=fields[place],
                value=fields[place],
            )
    missing = [role for role in COORDINATES if role not in found]
    if missing and ("x" in found or "y" in found):
        problems.add(
            "X and Y could be easting and northing, or the other way round.",
            "Declare the column order with the words northing and easting.",
            line=line,
            value=" ".join(fields),
        )
    else:
        _add_missing(problems, missing, fields, line)
    problems.refuse(ColumnsUnknown)
    ignored = [
        fields[place] for place, role in enumerate(found) if role not in ROLES_OF_COLUMNS and fields[place]
    ]
    if ignored:
        remarks.append(f"Columns not used: {', '.join(ignored)}.")
    return tuple(role if role in ROLES_OF_COLUMNS else "" for role in found), tuple(remarks)


def _add_missing(problems: ProblemList, missing: list[str], fields: Sequence[str], line: int) -> None:
    shown = ", ".join(f'"{field}"' for field in fields)
    for role in missing:
        effect = " Points without heights make no surface." if role == "elevation" else ""
        problems.add(
            f"the header has no column for the {role} ({shown}).{effect}",
            "Export the file with northing, easting and elevation, or declare the column order.",
            line=line,
            field=role,
        )


def check_header_units(
    fields: Sequence[str], columns: Sequence[str], unit: str, line: int, name: str
) -> None:
    """Refuse a file whose header writes another unit than the declared one."""
    problems = ProblemList(name)
    for place, (field, role) in enumerate(zip(fields, columns, strict=False)):
        written = word_and_unit(field)[1]
        if role in COORDINATES and written and unit not in UNIT_WORDS[written]:
            problems.add(
                f'the header says "{field}" but the file was declared in the unit {unit}.',
                "Declare the unit that the file is in; metre, foot and us-survey-foot are known.",
                line=line,
                column=place + 1,
                field=field,
                value=written,
            )
    problems.refuse()


def declared_columns(columns: Sequence[str]) -> tuple[str, ...]:
    """A declared column order with `""` for ignored columns. Raises BadOption.

    Allowed: point, northing, easting, elevation, code, note, each once at most; `-`, `skip` or an
    empty word ignores a column.
    """
    order = tuple(word.strip().lower() for word in columns)
    order = tuple("" if word in ("-", "skip", "") else word for word in order)
    allowed = ", ".join(ROLES_OF_COLUMNS)
    for word in order:
        if word and word not in ROLES_OF_COLUMNS:
            raise BadOption(
                f'Column "{word}" is not known.',
                where="columns",
                remedy=f"Use {allowed}, and skip for a column to ignore.",
            )
        if word and order.count(word) > 1:
            raise BadOption(
                f"The {word} is declared twice.", where="columns", remedy="Declare each column once."
            )
    missing = [role for role in COORDINATES if role not in order]
    if missing:
        raise BadOption(
            f"The declared columns hold no {' and no '.join(missing)}.",
            where="columns",
            remedy="Declare northing, easting and elevation; a surface needs all three.",
        )
    return order
