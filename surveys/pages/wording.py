"""Words of the pages: states, roles, reasons, dates and ages, as the trade says them."""

from __future__ import annotations

import re
from datetime import date, datetime
from zoneinfo import ZoneInfo

MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")

ROLES = {
    "surveyor": "Surveyor",
    "lead_surveyor": "Lead surveyor",
    "manager": "Manager",
    "accountant": "Accountant",
    "controller": "Controller",
    "auditor": "Auditor",
    "administrator": "Administrator",
}

MEASUREMENT_STATES = {
    "draft": ("Draft", "open"),
    "computed": ("Computed", "quarter"),
    "reviewed": ("In review", "half"),
    "approved": ("Approved", "full"),
    "superseded": ("Superseded", "hollow"),
    "rejected": ("Sent back", "stop"),
    "withdrawn": ("Withdrawn", "hollow"),
}
"""State → (word, mark). A mark is a shape, so that a state reads without its colour."""

JOB_STATES = {
    "waiting": ("Waiting for a worker", "open"),
    "running": ("Measuring", "half"),
    "done": ("Measured", "full"),
    "failed": ("Failed", "stop"),
}

FILE_STATES = {
    "unclear": ("Columns to be chosen", "warn"),
    "read": ("Read", "settled"),
    "refused": ("Refused", "stop"),
}

IMPORT_STATES = {
    "received": ("Waits to be posted", "open"),
    "refused": ("Refused", "stop"),
    "posted": ("Posted", "full"),
}

MOVEMENT_KINDS = {
    "opening": "Opening balance",
    "production": "Production",
    "purchase": "Purchase",
    "transfer-in": "Transfer in",
    "transfer-out": "Transfer out",
    "sale": "Sale",
    "usage": "Usage",
    "own-works": "Own works",
    "reclass-in": "Reclassified in",
    "reclass-out": "Reclassified out",
    "lineage-in": "Taken over",
    "lineage-out": "Gone over",
    "adjustment": "Adjustment",
}

SEVERITIES = {
    "stop": ("Stop", "stop"),
    "warn": ("Check", "warn"),
    "note": ("Note", "note"),
}

STAGES = {
    "reading": "Reading the files",
    "surfaces": "Building the surfaces",
    "checks": "Cross-checking by sections, leaving shots out",
    "uncertainty": "Working out the ±",
    "findings": "Looking for faults",
    "done": "Writing the record",
    "keeping": "Keeping the drawing",
    "withdrawn": "Withdrawn",
}

BASE_KINDS = {
    "surface": "Pre-pile survey",
    "level": "Fixed level",
    "toe": "Toe-derived base",
    "plane": "Fitted plane",
    "lowest-toe": "Lowest toe",
}

EDGE_KINDS = {
    "toe": "Toe ring",
    "drawn": "Drawn outer edge",
    "hull": "Hull of the shots",
    "partition": "Toe ring, divided by the agreed line",
}

METHODS = {
    "total-station": "Total station",
    "gnss": "GNSS rover",
    "flight": "Flight (photogrammetry)",
    "scan": "Laser scan",
    "unknown": "Method not known",
}

RECORD_STATES = {
    "proposed": ("Proposed", "open"),
    "approved": ("Approved", "full"),
    "superseded": ("Superseded", "hollow"),
    "withdrawn": ("Withdrawn", "hollow"),
}

REDUCTION_STATES = {
    "computed": ("Computed", "quarter"),
    "accepted": ("Accepted", "full"),
    "rejected": ("Sent back", "stop"),
    "superseded": ("Superseded", "hollow"),
}

MARK_STANDINGS = {
    "in-force": ("In force", "full"),
    "suspect": ("Suspect", "warn"),
    "destroyed": ("Destroyed", "stop"),
}

PERIOD_STATES = {
    "open": ("Open", "open"),
    "counting": ("Counting", "quarter"),
    "reconciled": ("Reconciled", "half"),
    "approved": ("Approved", "full"),
    "locked": ("Locked", "settled"),
    "restating": ("Being restated", "warn"),
}

ADJUSTMENT_STATES = {
    "proposed": ("Proposed", "open"),
    "approved": ("Approved", "half"),
    "posted": ("Posted", "full"),
    "reversed": ("Reversed", "hollow"),
    "rejected": ("Rejected", "stop"),
}

LENGTH_UNITS = {"metre": "metre", "foot": "international foot", "us-survey-foot": "US survey foot"}

LEFT_OUT = {
    "control": "Control, by code",
    "check": "Check shots",
    "coincides_with_control": "Coincide with control",
    "instrument_over_control": "Instrument over a control point",
    "structure": "On a structure",
    "rejected": "Rejected in the field",
    "unknown_code": "Code without a role",
    "floor": "Exposed pad",
    "ground": "Natural ground",
    "outside_edge": "Outside the outer edge",
    "inside_other_pile": "Inside another pile",
    "outside_outline": "Away from the pile's outline",
}

SHOT_ROLES = {
    "spot": "Spot",
    "toe": "Toe",
    "crest": "Crest",
    "breakline": "Breakline",
    "wall": "Wall contact",
    "floor": "Exposed pad",
    "ground": "Natural ground",
    "control": "Control",
    "check": "Check shot",
    "structure": "Structure",
    "rejected": "Rejected in the field",
    "unknown": "Code without a role",
}

UNCERTAINTY_TERMS = {
    "shot_noise": "Shot noise",
    "correlated_noise": "Noise shared by neighbours",
    "height_bias_top": "Height bias of the survey",
    "height_bias_base": "Height bias of the base",
    "toe_position": "Place of the toe",
    "spacing": "Spacing of the shots",
    "moved_during_survey": "Material moved during the survey",
    "partition": "Contact with the pile beside it",
    "density": "Density",
}


def in_words(table: dict[str, str], key: str) -> str:
    """The word for `key`; an unlisted key is shown as itself, with blanks, rather than hidden."""
    return table.get(key) or key.replace("_", " ").replace("-", " ").capitalize()


def day(value: date | datetime | None) -> str:
    """`29 Jan 2025`."""
    if value is None:
        return ""
    return f"{value.day}\u00a0{MONTHS[value.month - 1]}\u00a0{value.year}"


def moment(value: datetime | None, zone: str = "UTC") -> str:
    """`29 Jan 2025 14:05 CET`: the time at the site, with its zone."""
    if value is None:
        return ""
    local = value.astimezone(ZoneInfo(zone))
    return f"{day(local)} {local:%H:%M} {local.tzname()}"


def span(start: datetime | None, end: datetime | None, zone: str) -> str:
    """`07:30 – 10:50 UTC`: from when to when somebody was on the site, in its own time."""
    if start is None:
        return "time not given"
    local = start.astimezone(ZoneInfo(zone))
    if end is None:
        return f"from {local:%H:%M} {local.tzname()}"
    until = end.astimezone(ZoneInfo(zone))
    last = f"{until:%H:%M}" if until.date() == local.date() else f"{day(until)} {until:%H:%M}"
    return f"{local:%H:%M}\u00a0–\u00a0{last} {local.tzname()}"


def age(then: date, today: date) -> str:
    """`today`, `yesterday`, `12 days`, `5 weeks`, `7 months` from `then` to `today`."""
    return age_of((today - then).days)


def age_of(days: int) -> str:
    if days < 0:
        return f"in {plural(-days, 'day')}"
    if days < 2:
        return ("today", "yesterday")[days]
    if days < 28:
        return plural(days, "day")
    if days < 90:
        return plural(days // 7, "week")
    return plural(round(days / 30.4), "month")


def natural(name: str) -> list[tuple[int, str]]:
    """Order in which people expect names: CP2 before CP10."""
    return [(int(part), "") if part.isdigit() else (-1, part) for part in re.split(r"(\d+)", name)]


def plural(count: int, noun: str, many: str = "") -> str:
    return f"{count:,}\u00a0{noun if count == 1 else many or noun + 's'}"
