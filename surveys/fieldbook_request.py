"""What a reduction of a field book depends on, as one JSON object, and back from it to the calculator.

Known places are pinned in metres as they stood on the day of the survey and turned into the unit of the book
by one exact division, so that the same request gives the same bits in five years.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from decimal import Decimal
from fractions import Fraction
from typing import Any

from compute import ALGORITHM
from compute.errors import BadOption
from compute.traverse.adjust import RULES, Precision
from compute.traverse.book import TraverseFile
from compute.traverse.chain import Control
from compute.traverse.closure import Limits
from compute.traverse.corrections import SetupCorrection
from compute.traverse.presets import preset
from compute.traverse.solve import TraverseRequest
from compute.units import LENGTH_IN_M
from surveys.errors import ControlMissing
from surveys.models import ControlPoint, SurveyFile

STATION_KINDS = ("backsight", "foresight", "check")


@dataclass(frozen=True)
class GivenStation:
    """A known place that comes with the book because the site's control does not have it; metres."""

    name: str
    northing_m: Decimal
    easting_m: Decimal
    elevation_m: Decimal | None = None
    source: str = ""


@dataclass(frozen=True)
class BookSettings:
    """How a book is reduced.

    preset   : limits of closure by name, empty for the calculator's own; `limits` overrides single ones
    held     : names of the control held fixed; None for all that is in force, trusted and in the book
    stations : known places given with the book
    azimuths : (from, to, degrees) known directions
    accept_misclosure : why a misclosure beyond its limit is adjusted all the same
    stored   : id of a file of coordinates as the instrument stored them, brought beside the book
    move_stored : take the shots from those coordinates, each set-up's moved with its station
    """

    rule: str = "compass"
    preset: str = ""
    limits: tuple[tuple[str, float], ...] = ()
    held: tuple[str, ...] | None = None
    stations: tuple[GivenStation, ...] = ()
    azimuths: tuple[tuple[str, str, float], ...] = ()
    precision: tuple[tuple[str, float], ...] = ()
    accept_misclosure: str = ""
    stored: int | None = None
    move_stored: bool = False

    def as_dict(self) -> dict[str, Any]:
        stations = [
            {**asdict(one), **{key: _text(getattr(one, key)) for key in PLACE}} for one in self.stations
        ]
        plain = {**asdict(self), "stations": stations}
        return {key: list(value) if isinstance(value, tuple) else value for key, value in plain.items()}


PLACE = ("northing_m", "easting_m", "elevation_m")


def settings_from(pinned: Mapping[str, Any]) -> BookSettings:
    """The settings of an earlier version, to go on from."""
    stations = tuple(
        GivenStation(**{**one, **{key: _decimal(one[key]) for key in PLACE}}) for one in pinned["stations"]
    )
    tuples = {key: tuple(map(tuple, pinned[key])) for key in ("limits", "azimuths", "precision")}
    held = None if pinned["held"] is None else tuple(pinned["held"])
    return BookSettings(**{**pinned, **tuples, "stations": stations, "held": held})


def pinned_book(
    file: SurveyFile, read: TraverseFile, settings: BookSettings, corrections: Sequence[SetupCorrection]
) -> dict[str, Any]:
    """The request of one reduction. Raises `ControlMissing`, `BadOption` for settings that mean nothing."""
    if settings.rule not in RULES:
        raise BadOption(
            f"There is no adjustment {settings.rule!r}. Nothing was computed.",
            where="rule",
            remedy=f"Use one of {', '.join(RULES)}.",
        )
    held, beside = known_places(file, marks_of(read, corrections), settings)
    limits = preset(settings.preset).limits() if settings.preset else Limits()
    return {
        "file": {
            "name": file.name,
            "sha256": file.stored_file.sha256,
            "bytes": file.stored_file.bytes,
            "unit": file.unit,
        },
        "settings": settings.as_dict(),
        "control": held,
        "beside": beside,
        "limits": _overridden(asdict(limits), settings.limits, "limits"),
        "precision": _overridden(asdict(Precision()), settings.precision, "precision"),
        "corrections": [correction.as_dict() for correction in corrections],
        "stored": _stored(file, read, settings),
        "algorithm": ALGORITHM,
    }


def marks_of(read: TraverseFile, corrections: Sequence[SetupCorrection] = ()) -> set[str]:
    """Names of the stations and marks of a book; shots are none."""
    corrected = {str(c.value) for c in corrections if c.field in ("station", "backsight")}
    seen = {sight.to for sight in read.sights if sight.kind in STATION_KINDS}
    return seen | {sight.at for sight in read.sights} | corrected


def known_places(
    file: SurveyFile, marks: set[str], settings: BookSettings
) -> tuple[list[dict[str, Any]], list[dict[str, Any]]]:
    """Control held fixed, and control that is only compared, each as it stood on the day of the survey."""
    day = file.survey.surveyed_on
    site = ControlPoint.objects.filter(site=file.survey.site_id, name__in=marks)
    in_force = list(site.in_force_on(day).order_by("name"))
    trusted = set(site.trusted_on(day).values_list("name", flat=True))
    given = [_given(one) for one in settings.stations if one.name in marks]
    known = [_pinned(point) for point in in_force if point.name not in {one["name"] for one in given}]
    wanted = trusted if settings.held is None else set(settings.held)
    _require_known(wanted - {one["name"] for one in [*known, *given]}, day)
    held = [*(one for one in known if one["name"] in wanted), *given]
    if not held:
        raise ControlMissing(
            f"No station of {file.name} is known on {day}: {', '.join(sorted(marks)[:8])}. Its coordinates "
            "would hang in the air. Nothing was computed.",
            where=file.name,
        )
    return held, [one for one in known if one["name"] not in wanted]


def _require_known(missing: set[str], day: Any) -> None:
    if missing:
        raise ControlMissing(
            f"{', '.join(sorted(missing))} cannot be held fixed: no such control is in force on {day} "
            "and in the book. Nothing was computed.",
            where="held",
        )


def _pinned(point: ControlPoint) -> dict[str, Any]:
    place = {key: str(getattr(point, key)) for key in PLACE}
    return {"id": point.pk, "name": point.name, **place, "source": point.source}


def _given(station: GivenStation) -> dict[str, Any]:
    place = {key: _text(getattr(station, key)) for key in PLACE}
    return {"id": None, "name": station.name, **place, "source": station.source}


def _overridden(defaults: dict[str, Any], given: Sequence[tuple[str, float]], what: str) -> dict[str, Any]:
    unknown = sorted({name for name, _ in given} - defaults.keys())
    if unknown:
        raise BadOption(
            f"{', '.join(unknown)} is no {what} of a traverse. Nothing was computed.",
            where=what,
            remedy=f"Use one of {', '.join(sorted(defaults))}.",
        )
    return {**defaults, **dict(given)}


def _stored(file: SurveyFile, read: TraverseFile, settings: BookSettings) -> dict[str, Any] | None:
    """The file of stored coordinates as it is pinned; the book itself where its own columns hold them."""
    own = any(sight.northing is not None for sight in read.sights)
    asked = settings.stored or (file.pk if own else None)
    if asked is None:
        return None
    beside = SurveyFile.objects.filter(
        pk=asked, survey=file.survey_id, state=SurveyFile.State.READ, set_aside_at__isnull=True
    ).first()
    if beside is None:
        raise BadOption(
            "The stored coordinates are no file of this survey that could be read. Nothing was computed.",
            where="stored",
            remedy="Send them to the same survey as coordinates beside the book.",
        )
    return {
        "name": beside.name,
        "sha256": beside.stored_file.sha256,
        "columns": beside.columns,
        "unit": beside.unit,
        "delimiter": beside.delimiter or None,
        "decimal": beside.decimal or None,
        "move": settings.move_stored,
    }


# --- from the pins to the calculator's own records -------------------------------------------------


def traverse_request(pins: Mapping[str, Any], data: bytes) -> TraverseRequest:
    file, settings = pins["file"], pins["settings"]
    azimuths = {(start, end): float(degrees) for start, end, degrees in settings["azimuths"]}
    return TraverseRequest(
        data,
        file["name"],
        Control({one["name"]: in_unit(one, file["unit"]) for one in pins["control"]}, azimuths),
        settings["rule"],
        Limits(**pins["limits"]),
        settings["accept_misclosure"],
        file["unit"],
        Precision(**pins["precision"]),
        corrections=tuple(SetupCorrection(**one) for one in pins["corrections"]),
    )


def in_unit(place: Mapping[str, Any], unit: str) -> tuple[float, float, float | None]:
    """Northing, easting, elevation of a pinned place in the unit of the book."""
    north, east, up = (
        None if place[key] is None else float(Fraction(place[key]) / LENGTH_IN_M[unit]) for key in PLACE
    )
    assert north is not None
    assert east is not None
    return north, east, up


def accepting(settings: BookSettings, reason: str) -> BookSettings:
    return replace(settings, accept_misclosure=reason.strip())


def _text(value: Decimal | None) -> str | None:
    return None if value is None else str(value)


def _decimal(value: str | None) -> Decimal | None:
    return None if value is None else Decimal(value)
