"""From an approved measurement to the bytes of its certificate.

The same certificate makes the same bytes, today and next year: what is printed is write-once, the date inside
the file is that of the approval, the fonts are those of the typesetter and no others.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import typst

from compute.change import Change, change_between, dated_from
from compute.records import UncertaintyModel
from surveys import computing
from surveys.certificates.control import residuals
from surveys.certificates.finding import CERTIFIED, doubt_about, replacement_of
from surveys.certificates.issuing import content_of, issue
from surveys.certificates.numbering import certificate_of, file_name
from surveys.certificates.pictures import pictures_of
from surveys.certificates.statement import Given, Standing, as_json
from surveys.errors import NoSuchCertificate
from surveys.models import Measurement
from surveys.pages.figures import Units

SOFTWARE = "Heapledger 0.1.0"

TEMPLATE = Path(__file__).with_name("certificate.typ")

Arrays = dict[str, Any]


@dataclass(frozen=True)
class Certificate:
    name: str
    data: bytes


def certificate(measurement: Measurement) -> Certificate:
    """The PDF of an approved or superseded measurement.

    Raises `NoSuchCertificate` for one that is neither, `EvidenceMissing` and `EvidenceDamaged` where the
    store no longer has the geometry that the drawings are made of.
    """
    if measurement.state not in CERTIFIED:
        raise NoSuchCertificate(
            f"{measurement} is {measurement.get_state_display()}: there is no certificate of it. "
            "Nothing was written.",
            where=measurement.evidence_ref,
        )
    issued = issue(measurement)
    return made(measurement, issued.content, issued.issued_at)


def preview(measurement: Measurement) -> Certificate:
    """What would be certified, marked on every page as not approved."""
    return made(measurement, content_of(measurement), measurement.computed_at)


def made(measurement: Measurement, content: dict[str, Any], dated: dt.datetime | None) -> Certificate:
    given = gathered(measurement, content)
    return Certificate(file_name(given.number, given.version), typeset(given, dated))


def gathered(measurement: Measurement, content: dict[str, Any]) -> Given:
    """The measurement with everything that is worked out from its geometry and that of the survey before."""
    number, version = certificate_of(measurement)
    arrays = computing.geometry_of(measurement)
    before = before_of(content)
    previous = None if before is None else computing.geometry_of(before)
    change = None if before is None else change_of(before, previous, measurement, arrays)
    site, base = content["site"], content["base"]
    drawn = pictures_of(
        arrays,
        Units(site["length_unit"], site["volume_unit"], site["mass_unit"]),
        pile=content["pile"]["code"],
        base_label=f"v{base['version']}" if base else "",
        base_is_own=measurement.request["base"]["kind"] == "surface",
        previous=previous,
        band_m=None if change is None else change.band_m,
    )
    return Given(
        measurement=measurement,
        content=content,
        number=number,
        version=version,
        standing=standing_of(measurement),
        change=change,
        residuals=residuals(arrays, measurement.request["control"]),
        pictures=drawn,
        address=f"{content['verified_at']}/verify/{measurement.digest}",
        software=SOFTWARE,
    )


def before_of(content: dict[str, Any]) -> Measurement | None:
    """The survey before, as it was pinned when the certificate was issued."""
    pinned = content["previous"]
    return None if pinned is None else Measurement.objects.get(uuid=pinned["uuid"])


def change_of(first: Measurement, first_arrays: Arrays, second: Measurement, second_arrays: Arrays) -> Change:
    sides = [
        dated_from(arrays, UncertaintyModel(**m.request["model"]), m.record["uncertainty"]["terms"])
        for m, arrays in ((first, first_arrays), (second, second_arrays))
    ]
    return change_between(*sides)


def standing_of(measurement: Measurement) -> Standing:
    new, doubt = replacement_of(measurement), doubt_about(measurement)
    if new is None:
        return Standing(measurement.state, doubt=doubt)
    return Standing(measurement.state, new.version, new.correction_reason, doubt)


def typeset(given: Given, dated: dt.datetime | None) -> bytes:
    """The PDF. System fonts are left out: another machine has others, and would set another page."""
    drawings = {
        "plan.svg": given.pictures.plan,
        "change.svg": given.pictures.change,
        **{f"section-{n}.svg": drawn for n, drawn in enumerate(given.pictures.sections, start=1)},
    }
    date = (dated or dt.datetime(1970, 1, 1, tzinfo=dt.UTC)).astimezone(dt.UTC)
    made: bytes = typst.compile(
        {
            "main": TEMPLATE.read_bytes(),
            "statement.json": as_json(given),
            **{name: drawn.encode() for name, drawn in drawings.items() if drawn},
        },
        ignore_system_fonts=True,
        sys_inputs={"date": date.strftime("%Y-%m-%d-%H-%M-%S")},
        timestamp=int(date.timestamp()),
    )
    return made
