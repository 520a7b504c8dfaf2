"""A small yard for the tests of the evidence: square frustums whose volume the closed form gives.

V = h/3 · (A₁ + A₂ + √(A₁A₂)), Euclid, Elements XII.7 with its corollary (a pyramid is a third of its
prism), here for toe squares of 40 m and crest squares of 20 m.
"""

from __future__ import annotations

import datetime as dt
import math
from dataclasses import dataclass
from typing import Any

from inventory.models import Pile, Site
from surveys import computing, intake, measuring, opening, review
from surveys.models import Measurement, Survey
from tests.cast import Company, square

DAY = dt.date(2025, 6, 30)
SIDE_M, CREST_M = 40.0, 20.0
HEADER = "point,northing,easting,elevation,code"


def frustum_m3(height_m: float, side_m: float = SIDE_M, crest_m: float = CREST_M) -> float:
    return height_m / 3 * (side_m**2 + crest_m**2 + math.sqrt(side_m**2 * crest_m**2))


def frustum_rows(
    east_m: float = 0.0, north_m: float = 0.0, height_m: float = 5.0, toe_m: float = 100.0
) -> list[str]:
    """Lines of a point file: 8 toe shots, a closed crest of 4 and a spot on the flat top."""
    half, top = SIDE_M / 2, CREST_M / 2
    toe = [
        (0, 0),
        (half, 0),
        (SIDE_M, 0),
        (SIDE_M, half),
        (SIDE_M, SIDE_M),
        (half, SIDE_M),
        (0, SIDE_M),
        (0, half),
    ]
    low, high = half - top, half + top
    crest = [(low, low), (high, low), (high, high), (low, high), (low, low)]
    shots = [(x, y, toe_m, "TOE") for x, y in toe]
    shots += [(x, y, toe_m + height_m, "CRS 1") for x, y in crest]
    shots += [(half, half, toe_m + height_m, "SPT")]
    return [
        f"{number},{north_m + y:.3f},{east_m + x:.3f},{z:.3f},{code}"
        for number, (x, y, z, code) in enumerate(shots, start=1)
    ]


def point_file(*parts: list[str], header: bool = True) -> bytes:
    rows = [row for part in parts for row in part]
    return "\n".join([*([HEADER] if header else []), *rows, ""]).encode()


def heap(height_m: float = 5.0, **where: float) -> bytes:
    return point_file(frustum_rows(height_m=height_m, **where))


@dataclass
class Yard:
    """One site of the company with two outlined piles side by side, each with a toe base and a density."""

    company: Company
    site: Site
    pile: Pile
    neighbour: Pile

    @property
    def surveyor(self) -> Any:
        return self.company.surveyor

    @property
    def lead(self) -> Any:
        return self.company.lead_surveyor

    def survey(self, day: dt.date = DAY, **more: Any) -> Survey:
        return opening.open_survey(self.site, day, "total-station", self.surveyor, **more)

    def survey_with(self, data: bytes, pile: Pile | None = None, day: dt.date = DAY) -> Survey:
        survey = self.survey(day)
        intake.receive_file(survey, "shots.csv", data, self.surveyor, pile)
        return survey

    def asked(self, data: bytes | None = None, day: dt.date = DAY) -> Measurement:
        """A measurement of the first pile that waits for a worker."""
        survey = self.survey_with(heap() if data is None else data, self.pile, day)
        return measuring.request_measurement(survey, self.pile, self.surveyor)

    def computed(self, data: bytes | None = None, day: dt.date = DAY) -> Measurement:
        return work(self.asked(data, day))

    def reviewed(self, data: bytes | None = None, day: dt.date = DAY) -> Measurement:
        return self.review(self.computed(data, day))

    def review(self, measurement: Measurement) -> Measurement:
        review.submit(measurement, self.surveyor)
        self.accept_stops(measurement)
        return review.review(measurement, self.lead)

    def accept_stops(self, measurement: Measurement) -> None:
        for finding in review.open_findings(measurement):
            review.accept_finding(measurement, finding["code"], self.lead, "looked at on the ground")

    def approved(self, data: bytes | None = None, day: dt.date = DAY) -> Measurement:
        return review.approve(self.reviewed(data, day), self.lead)

    def correction(
        self, measurement: Measurement, data: bytes, reason: str = "toe shot again"
    ) -> Measurement:
        """A computed next version of an approved measurement, from another file."""
        survey = measurement.survey
        for file in survey.files.filter(set_aside_at__isnull=True):
            intake.set_aside(file, self.surveyor, "replaced")
        intake.receive_file(survey, "again.csv", data, self.surveyor, self.pile)
        return work(measuring.request_measurement(survey, self.pile, self.surveyor, reason))


def yard_of(company: Company) -> Yard:
    site = company.site("QRY")
    material = company.material()
    pile = company.pile(site, material, outline=square(-5, -5, 50))
    neighbour = company.pile(site, material, outline=square(55, -5, 50))
    for each in (pile, neighbour):
        company.base(each)
    company.density(material, "1.6")
    return Yard(company, site, pile, neighbour)


def work(measurement: Measurement) -> Measurement:
    """What a worker does when the bell rings, here and now."""
    assert computing.work(measurement.pk, "test-worker")
    measurement.refresh_from_db()
    return measurement
