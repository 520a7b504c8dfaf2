"""Angles as people write them: degrees, minutes and seconds, decimal degrees, gon, quadrant bearings.

Everything inside is decimal degrees, clockwise, azimuths from north. A bare number is in the unit that the
file declares (`ANGLE_UNITS`), never in a guessed one. A text that can be read in two ways is refused with
`ValueError`, whose message says what is wrong in words a surveyor can use.
"""

from __future__ import annotations

import math
import re

import numpy as np

_NUMBER = r"\d+(?:\.\d+)?"
_SEPARATED = re.compile(
    rf"(?P<sign>[+-]?)\s*(?P<d>\d+)\s*(?:[°d:]|[-\s])\s*(?P<m>{_NUMBER})\s*"
    rf"(?:(?:[′'’m:]|[-\s])\s*(?:(?P<s>{_NUMBER})\s*(?:″|\"|”|''|′′|s)?)?)?",
    re.IGNORECASE,
)
_DECIMAL = re.compile(r"(?P<v>[+-]?(?:\d+(?:\.\d*)?|\.\d+))\s*(?P<unit>°|deg|d|gon|g)?", re.IGNORECASE)
_BEARING = re.compile(r"(?P<from>[NS])\s*(?P<angle>[^NSEW]*?[^NSEW\s]|)\s*(?P<to>[EW])", re.IGNORECASE)
GON_DEG = 0.9
SECONDS = 3600.0
ANGLE_UNITS = ("degree", "gon", "packed-dms")
"""What a bare number means: decimal degrees, gon, or degrees with minutes and seconds behind the point
(226.5423 is 226°54′23″)."""


def parse_angle(text: str, unit: str = "degree") -> float:
    """Decimal degrees of `226-54-23`, `226°54′23″`, `226 54 23`, `226:54:23`, `226.9064`, `251.3 gon`."""
    text = text.strip()
    match = _DECIMAL.fullmatch(text)
    if match:
        mark = (match["unit"] or "").lower()
        if mark in ("g", "gon") or (not mark and unit == "gon"):
            return float(match["v"]) * GON_DEG
        return _unpacked(match["v"]) if not mark and unit == "packed-dms" else float(match["v"])
    match = _SEPARATED.fullmatch(text)
    if not match:
        raise ValueError(f"“{text}” is not an angle")
    if unit == "gon" and not re.search(r"[°d′'’]", text, re.IGNORECASE):
        raise ValueError(f"“{text}” has minutes, but the angles of the file are declared in gon")
    minutes, seconds = float(match["m"]), float(match["s"] or 0.0)
    if minutes >= 60.0 or seconds >= 60.0:
        raise ValueError(f"minutes and seconds of “{text}” have to be below 60")
    if match["s"] is not None and "." in match["m"]:
        raise ValueError(f"“{text}” has a fraction of a minute and seconds as well")
    value = int(match["d"]) + minutes / 60.0 + seconds / SECONDS
    return -value if match["sign"] == "-" else value


def _unpacked(text: str) -> float:
    """Decimal degrees of D.MMSSs: two digits of minutes, two of seconds, then their decimals."""
    sign = -1.0 if text.startswith("-") else 1.0
    whole, _, digits = text.lstrip("+-").partition(".")
    digits = digits.ljust(4, "0")
    minutes, seconds = int(digits[:2]), float(f"{digits[2:4]}.{digits[4:] or '0'}")
    if minutes >= 60 or seconds >= 60.0:
        raise ValueError(f"minutes and seconds of “{text}” have to be below 60")
    return sign * (int(whole or 0) + minutes / 60.0 + seconds / SECONDS)


def parse_direction(text: str, unit: str = "degree") -> float:
    """Azimuth in [0, 360) of an azimuth or a quadrant bearing such as `S 36-00-00 E`."""
    match = _BEARING.fullmatch(text.strip())
    if not match:
        if re.search(r"[NSEW]", text.strip().rstrip("sS"), re.IGNORECASE) and not re.search(
            r"deg|gon|\dm|\ds", text, re.IGNORECASE
        ):
            raise ValueError(f"“{text}” is not a quadrant bearing such as S 36-00-00 E")
        return turn(parse_angle(text, unit))
    angle = parse_angle(match["angle"], unit)
    if not 0.0 <= angle <= 90.0:
        raise ValueError(f"a quadrant bearing lies between 0 and 90°, “{text}” does not")
    north, east = match["from"].upper() == "N", match["to"].upper() == "E"
    if north:
        return turn(angle if east else -angle)
    return 180.0 - angle if east else 180.0 + angle


def turn(degrees: float) -> float:
    """The same direction in [0, 360)."""
    turned = math.fmod(degrees, 360.0)
    if turned < 0.0:
        turned += 360.0
    return 0.0 if turned >= 360.0 else turned


def half_turn(degrees: float) -> float:
    """The same turn in (-180, 180]."""
    turned = turn(degrees)
    return turned - 360.0 if turned > 180.0 else turned


def mean_direction(degrees: list[float]) -> float:
    """Mean of directions that lie close together, right across north as well."""
    first = degrees[0]
    return turn(first + float(np.mean([half_turn(d - first) for d in degrees])))


def azimuth_between(north: float, east: float) -> float:
    """Azimuth of a latitude and a departure, in [0, 360)."""
    return turn(math.degrees(math.atan2(east, north)))


def format_dms(degrees: float, decimals: int = 0) -> str:
    """`226°54′23″`; rounding never prints 60 seconds."""
    sign = "-" if degrees < 0 else ""
    ticks = round(abs(degrees) * SECONDS * 10**decimals)
    whole, fraction = divmod(ticks, 10**decimals)
    minutes, seconds = divmod(whole, 60)
    tail = f".{fraction:0{decimals}d}" if decimals else ""
    return f"{sign}{minutes // 60}°{minutes % 60:02d}′{seconds:02d}{tail}″"
