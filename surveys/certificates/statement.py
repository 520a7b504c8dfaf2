"""What a certificate says, as plain words and numbers in the order of its pages. Nothing here is drawn.

All of it comes from write-once rows: the record and pins of the measurement, and what was issued with it.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from decimal import Decimal
from typing import Any

from compute.change import Change
from surveys.certificates import evidence_part, signing_part
from surveys.certificates.control import Residual
from surveys.certificates.pictures import Pictures
from surveys.certificates.quantities import Printed, date_words, or_not
from surveys.certificates.wording import (
    NO_ROLL_FORWARD,
    PREVIEW,
)
from surveys.models import Measurement, State
from surveys.pages.figures import Units, figure, number
from surveys.pages.wording import BASE_KINDS, METHODS, UNCERTAINTY_TERMS, in_words, plural

Content = dict[str, Any]
Rows = list[list[str]]


@dataclass(frozen=True)
class Standing:
    """How the certificate stands at the time of making it."""

    state: str
    replaced_by: int | None = None
    replaced_why: str = ""
    doubt: str = ""


@dataclass(frozen=True)
class Given:
    """Everything a certificate is made from."""

    measurement: Measurement
    content: Content
    number: str
    version: int
    standing: Standing
    change: Change | None
    residuals: list[Residual]
    pictures: Pictures
    address: str
    software: str

    @property
    def record(self) -> dict[str, Any]:
        return self.measurement.record

    @property
    def stated(self) -> dict[str, Any]:
        return self.content["particulars"]

    @property
    def printed(self) -> Printed:
        site = self.content["site"]
        return Printed(Units(site["length_unit"], site["volume_unit"], site["mass_unit"]), site["timezone"])


def statement(given: Given) -> dict[str, Any]:
    """The whole certificate as JSON for the typesetter."""
    return {
        "title": "Certificate of measured quantity",
        "organization": given.content["organization"],
        "number": given.number,
        "version": str(given.version),
        "status": status(given),
        "parties": parties(given),
        "leads": leads(given),
        "quantities": quantities(given),
        "checks": checks(given),
        "budget": budget(given),
        **signing_part.parts(given),
        "change": change(given),
        **evidence_part.parts(given),
    }


def status(given: Given) -> dict[str, str]:
    """The word that stands large on every page, and the sentence that explains it."""
    people = given.content["people"]
    by = f"Approved by {people['approved_by']}, {given.printed.when(people['approved_at'])}."
    if given.standing.doubt and given.standing.state in (State.APPROVED, State.SUPERSEDED):
        word = "NOT REPRODUCIBLE"
        return {"word": word, "tone": "refused", "line": f"{by} {given.standing.doubt}", "across": word}
    if given.standing.state == State.APPROVED:
        return {"word": "APPROVED", "tone": "settled", "line": by, "across": ""}
    if given.standing.state == State.SUPERSEDED:
        new = given.standing.replaced_by
        word = f"SUPERSEDED by version {new}" if new else "SUPERSEDED"
        why = f" Reason: {given.standing.replaced_why}" if given.standing.replaced_why else ""
        return {
            "word": word,
            "tone": "refused",
            "line": f"{by} No longer in force.{why}",
            "across": "SUPERSEDED",
        }
    return {"word": "NOT APPROVED", "tone": "attention", "line": PREVIEW, "across": "NOT APPROVED"}


def parties(given: Given) -> dict[str, Rows]:
    content, stated, m = given.content, given.stated, given.measurement
    survey = content["survey"]
    corrected = content["people"]["correction_reason"]
    return {
        "left": [
            ["Client", content["organization"]],
            ["Site", f"{content['site']['code']}, {content['site']['name']}"],
            ["Pile", f"{content['pile']['code']}, {content['pile']['name']}"],
            ["Material", f"{content['material']['code']}, {content['material']['name']}"],
            ["Purpose", or_not(stated.get("purpose"))],
            ["Intended user", or_not(stated.get("intended_user"))],
        ],
        "right": [
            ["Surveyed on", date_words(m.surveyed_on.isoformat())],
            ["From, to", given.printed.between(survey["started_at"], survey["ended_at"])],
            ["Time zone", content["site"]["timezone"]],
            ["Cut-off", given.printed.when(stated.get("cut_off_at"))],
            ["Method", in_words(METHODS, survey["method"])],
            ["Corrects", corrected or "nothing: the first version" if m.version == 1 else or_not(corrected)],
        ],
    }


def leads(given: Given) -> list[dict[str, str]]:
    """The figures that are read first: tonnes where a density applied, and the net volume."""
    m = given.measurement
    wanted = [("Tonnes", m.tonnes, m.u95_t, "mass")] if m.tonnes is not None else []
    wanted.append(("Net volume", m.net_m3, m.u95_m3, "volume"))
    shown = []
    for label, value, u95, kind in wanted:
        text, unit, spread, beside = given.printed.with_pm(value, u95, kind)
        name = label if kind == "volume" or unit == "t" else "Stock"
        shown.append({"label": name, "value": text, "unit": unit, "pm": spread, "beside": beside})
    return shown


def quantities(given: Given) -> dict[str, Any]:
    m, p = given.measurement, given.printed
    return {
        "head": ["Volume", *p.heads("volume")],
        "rows": [
            ["Above the base", *p.pair(m.above_m3, m.u95_m3, "volume")],
            ["Below the base", *p.pair(-m.below_m3, m.u95_m3, "volume")],
        ],
        "foot": ["Net", *p.pair(m.net_m3, m.u95_m3, "volume")],
        "notes": roll_forward(given),
    }


def roll_forward(given: Given) -> list[str]:
    """Tonnes at the cut-off by the movements that were on record at approval, if a cut-off is stated."""
    rolled, m, p = given.content["rolled"], given.measurement, given.printed
    if rolled is None:
        return [NO_ROLL_FORWARD]
    moved = p.pair(Decimal(rolled["sum_t"]), m.u95_t, "mass", signed=True)[0]
    value, unit, spread, beside = p.with_pm(Decimal(rolled["rolled_t"]), m.u95_t, "mass")
    direction = "forward" if rolled["from_at"] <= rolled["to_at"] else "back"
    return [
        f"Rolled {direction} to the cut-off, {p.when(rolled['to_at'])}: "
        f"{plural(rolled['movements'], 'movement')} on record at approval, {moved} {unit}, "
        f"gives {value} {unit} ± {spread} {unit}"
        f"{f' ({beside})' if beside else ''}. The ± is that of the survey; movements are taken as recorded.",
        *rolled["warnings"],
    ]


def checks(given: Given) -> dict[str, Any]:
    """The second base, and the volume by a way that shares nothing with the first."""
    m, p, record = given.measurement, given.printed, given.record
    second, cross = record["second_base"], record["cross_check"]
    left_out = record["leave_out"]
    rows = [
        [
            f"Second base: {in_words(BASE_KINDS, second['kind']).lower()}",
            *p.pair(second["net_m3"], m.u95_m3, "volume"),
            *p.pair(second["difference_m3"], m.u95_m3, "volume", signed=True),
        ],
        [
            f"{cross['sections']:,} {cross['kind']}",
            *p.pair(cross["net_m3"], m.u95_m3, "volume"),
            *p.pair(cross["difference_m3"], m.u95_m3, "volume", signed=True),
        ],
        [
            f"Mean of {len(left_out['nets_m3'])} with every fifth shot left out",
            *p.pair(left_out["mean_net_m3"], m.u95_m3, "volume"),
            *p.pair(left_out["mean_net_m3"] - record["net_m3"], m.u95_m3, "volume", signed=True),
        ],
    ]
    heads = p.heads("volume")
    return {
        "head": ["Against", *[f"Net, {unit}" for unit in heads], *[f"Difference, {unit}" for unit in heads]],
        "rows": rows,
    }


def budget(given: Given) -> dict[str, Any]:
    """The terms of the net volume, the largest first, with their shares of the variance."""
    doubt, p, m = given.record["uncertainty"], given.printed, given.measurement
    total = sum(value**2 for value in doubt["terms"].values()) or 1.0
    terms = sorted(doubt["terms"].items(), key=lambda term: -term[1])
    share = doubt["density_share"]
    of_tonnes = ""
    if m.tonnes is not None and share is not None:
        of_tonnes = (
            f"Of the variance of the stock in {p.units.symbol('mass')}, {number(100 * share, 0)} % is the "
            f"density and {number(100 * (1 - share), 0)} % the volume."
        )
    return {
        "heads": p.heads("volume"),
        "terms": [
            {
                "name": in_words(UNCERTAINTY_TERMS, name),
                "values": p.spread(value, "volume"),
                "percent": number(100 * value**2 / total, 1),
                "share": value**2 / total,
                "dominant": name == doubt["dominant"],
            }
            for name, value in terms
        ],
        "total": [figure(m.u95_m3, m.u95_m3, "volume", p.units).plus_minus],
        "k": number(doubt["k"], 0),
        "tonnes": of_tonnes,
        "advice": doubt["advice"],
    }


def change(given: Given) -> dict[str, Any] | None:
    """Added, removed and net since the survey before; None where there is none."""
    before, found, p = given.content["previous"], given.change, given.printed
    if before is None or found is None:
        return None
    u95 = found.uncertainty.U_net_m3 if found.uncertainty else None
    net = [figure(found.net_m3, u95, "volume", p.units, signed=True)]

    def row(name: str, volume_m3: float, area_m2: float | None) -> list[str]:
        area = "" if area_m2 is None else figure(area_m2, None, "area", p.units).value
        return [name, *p.pair(volume_m3, u95, "volume", signed=True), area]

    return {
        "since": (
            f"{before['number']} version {before['version']}, surveyed on {date_words(before['surveyed_on'])}"
        ),
        "head": ["Top against top", *p.heads("volume"), f"Area, {p.units.symbol('area')}"],
        "rows": [
            row("Added", found.added_m3, found.added_area_m2),
            row("Removed", -found.removed_m3, found.removed_area_m2),
        ],
        "foot": row("Net change", found.net_m3, None),
        "pm": f"± {net[0].plus_minus} {net[0].unit} (k = 2)" if u95 else "",
        "band": (
            f"No-change band ± {p.plain(found.band_m, 'length')}: inside it nothing is proven. "
            f"Of the above, {p.pair(found.band_added_m3, u95, 'volume', signed=True)[0]} and "
            f"{p.pair(-found.band_removed_m3, u95, 'volume')[0]} {p.units.symbol('volume')} over "
            f"{p.plain(found.band_area_m2, 'area')} lie inside it."
        ),
        "base": (
            "" if found.base_difference_m3 == 0.0
            else f"Base against base over the common ground: "
            f"{p.pair(found.base_difference_m3, u95, 'volume', signed=True)[0]} {p.units.symbol('volume')}. "
            "The stock changed by the net change less that."
        ),
    }  # fmt: skip


def as_json(given: Given) -> bytes:
    return json.dumps(statement(given), ensure_ascii=False, allow_nan=False, sort_keys=True).encode()
