"""The number of a certificate: pile and day, `DRV-05/2025-04-30`; its version is that of the measurement."""

from __future__ import annotations

import datetime as dt
import re
from dataclasses import dataclass

from surveys.errors import CertificateNumberUnclear
from surveys.models import Measurement


@dataclass(frozen=True)
class Asked:
    """What a person asked for: `version` is None for the newest approved one."""

    pile: str
    surveyed_on: dt.date
    version: int | None = None

    @property
    def number(self) -> str:
        return number_of(self.pile, self.surveyed_on)


def number_of(pile_code: str, surveyed_on: dt.date) -> str:
    return f"{pile_code}/{surveyed_on.isoformat()}"


def certificate_of(measurement: Measurement) -> tuple[str, int]:
    """Number and version of the certificate of a measurement, issued or not."""
    return number_of(measurement.pile.code, measurement.surveyed_on), measurement.version


FORM = re.compile(r"(?P<pile>.+)/(?P<day>\d{4}-\d{2}-\d{2})(?:/v?(?P<version>\d+))?")


def asked_for(text: str) -> Asked:
    """`PILE/YYYY-MM-DD`, with `/v2` for a version. Raises `CertificateNumberUnclear`."""
    found = FORM.fullmatch(text.strip())
    try:
        day = dt.date.fromisoformat(found["day"]) if found else None
    except ValueError:
        day = None
    if found is None or day is None:
        raise CertificateNumberUnclear(
            f"{text!r} is no number of a certificate. Nothing was written.", where="NUMBER"
        )
    return Asked(found["pile"], day, int(found["version"]) if found["version"] else None)


def file_name(number: str, version: int) -> str:
    """A file name for it, with dashes for what a file system may not take."""
    plain = "".join(sign if sign.isalnum() or sign in "-_" else "-" for sign in number)
    return f"{plain}-v{version}.pdf"
