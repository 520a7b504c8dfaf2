"""The second half of a certificate: what it was worked out from, what is missing, what is not claimed."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

from compute.quantities import in_units
from surveys.certificates.particulars import LIMITATIONS
from surveys.certificates.quantities import date_words, exact, or_not
from surveys.certificates.wording import (
    LENGTH_UNITS,
    NO_HAZARDS,
    NOT_CLAIMED,
    NOT_STATED,
    SAFETY,
)
from surveys.drawings.paper import INK
from surveys.drawings.plan import MARKS
from surveys.drawings.svg import el
from surveys.models import CertificateParticulars
from surveys.pages.wording import BASE_KINDS, EDGE_KINDS, LEFT_OUT, SEVERITIES, SHOT_ROLES, in_words

if TYPE_CHECKING:
    from surveys.certificates.statement import Given

RESIDUALS_SHOWN = 14
LEAVE_IN_ANNEX = ("findings", "silhouette", "inputs", "algorithm", "digest")
"""Parts of the record that are printed in words of their own, or drawn."""


def parts(given: Given) -> dict[str, Any]:
    return {
        "plan": plan_words(given),
        "sections": sections_words(given),
        "map": map_words(given),
        "shots": shots(given),
        "shape": shape(given),
        "control": control(given),
        "frame": frame(given),
        "instruments": instruments(given),
        "limitations": limitations(given),
        "hazards": given.content["pile"]["hazards"].strip() or NO_HAZARDS,
        "safety": SAFETY,
        "findings": findings(given),
        "not_claimed": list(NOT_CLAIMED),
        "files": files_read(given),
        "proof": proof(given),
        "annex": annex(given),
    }


def plan_words(given: Given) -> dict[str, Any]:
    return {
        "caption": (
            f"Plan, 1 : {given.pictures.plan_scale:,}. Heavy line: outer edge. Dashed red: sections A–B and "
            "C–D. Heights in bands, dark is low."
            + (" Dashed green: outline of the base." if 'class="base-edge"' in given.pictures.plan else "")
        ),
        "key": [[mark_of(role), in_words(SHOT_ROLES, role), str(n)] for role, n in given.pictures.roles],
    }


def mark_of(role: str) -> str:
    """The shape by which the plan shows a role."""
    shape = el("path", d=f"M8 8{MARKS[role]}", class_=f"shot shot-{role}")
    return el("svg", f"<style>{INK}</style>", shape, viewbox="0 0 16 16", xmlns="http://www.w3.org/2000/svg")


def sections_words(given: Given) -> str:
    before = given.content["previous"]
    thin = f" Short dashes: the survey of {date_words(before['surveyed_on'])}." if before else ""
    return (
        f"Sections, 1 : {given.pictures.section_scale:,}, both at one scale. Solid: top surface. "
        f"Long dashes: base.{thin}"
    )


def map_words(given: Given) -> str:
    if given.pictures.change_scale is None:
        return ""
    return (
        f"Map of change, 1 : {given.pictures.change_scale:,}. Solid: outer edge of this survey. "
        "Dashed: of the survey before. Grey: inside the no-change band."
    )


def shots(given: Given) -> dict[str, Any]:
    """How many shots were used, and why each of the others was not."""
    counted, record = given.record["shots"], given.record
    based = f"Base made of {counted['in_base']:,} shots." if counted["in_base"] else "No shot is in the base."
    spacing = math.sqrt(record["plan_area_m2"] / max(counted["in_top"], 1))
    return {
        "rows": [
            ["In the top surface", f"{counted['in_top']:,}"],
            *[[in_words(LEFT_OUT, why), f"{n:,}"] for why, n in counted["left_out"].items()],
        ],
        "foot": ["Read", f"{counted['read']:,}"],
        "note": (f"{based} Mean spacing on the pile {given.printed.plain(spacing, 'length')}."),
    }


def shape(given: Given) -> list[list[str]]:
    """Edge, base, areas and heights."""
    p, record, base = given.printed, given.record, given.content["base"]
    edge, stated = record["edge"], given.stated
    kept = record["base"]
    said = "not recorded"
    if base is not None:
        until = f" to before {date_words(base['valid_to'])}" if base["valid_to"] else ""
        said = (
            f"v{base['version']}, {in_words(BASE_KINDS, base['kind']).lower()}, in force from "
            f"{date_words(base['valid_from'])}{until}; {base['reason']}; height sure to "
            f"{p.small(float(base['height_uncertainty_m'])).lstrip('+')} {p.small_unit} (1 σ)"
            + (f"; file {base['evidence_name']}" if base["evidence_name"] else "")
            + (f"; approved by {base['approved_by']}" if base["approved_by"] else "")
        )
    level = "" if kept["level_m"] is None else f"; level {p.plain(kept['level_m'], 'length')}"
    fit = f"; fit to its shots {p.plain(kept['fit_rms_m'], 'length')} (rms)" if kept["fit_rms_m"] else ""
    return [
        ["Base", said + level + fit],
        [
            "Outer edge",
            f"{in_words(EDGE_KINDS, edge['kind']).lower()}, {p.plain(edge['perimeter_m'], 'length')} round "
            f"{p.plain(edge['area_m2'], 'area')}; top over base along it: mean "
            f"{p.plain(edge['gap_mean_m'], 'length')}, largest {p.plain(edge['gap_largest_m'], 'length')}",
        ],
        [
            "Area",
            f"plan {p.plain(record['plan_area_m2'], 'area')}, "
            f"surface {p.plain(record['surface_area_m2'], 'area')}",
        ],
        [
            "Heights",
            f"top from {p.plain(record['lowest_m'], 'length')} to {p.plain(record['highest_m'], 'length')}; "
            f"over the base at most {p.plain(record['greatest_height_m'], 'length')}, mean "
            f"{p.plain(record['mean_height_m'], 'length')}; under it at most "
            f"{p.plain(record['greatest_depth_m'], 'length')}",
        ],
        ["Walls and assumptions", or_not(stated.get("walls"))],
        ["Holes, unseen area", or_not(stated.get("unseen"))],
    ]  # fmt: skip


def control(given: Given) -> dict[str, Any]:
    """Residuals on known points, the largest where there are many, and the closure stated."""
    p, found = given.printed, given.residuals
    known = given.measurement.request["control"]
    shown = found
    note = f"{len(known)} known points in force on the day; {len(found)} shots on them. Measured less known."
    if len(found) > RESIDUALS_SHOWN:
        size = {id(each): math.hypot(each.east_m, each.north_m, each.up_m) for each in found}
        largest = {id(each) for each in sorted(found, key=lambda each: -size[id(each)])[:RESIDUALS_SHOWN]}
        shown = [each for each in found if id(each) in largest]
        note += f" The {RESIDUALS_SHOWN} largest are shown."
    if not found:
        note = f"{len(known)} known points in force on the day; none was shot in these files."
    unit = p.small_unit
    return {
        "head": ["Point", "Shot as", "Line", f"ΔN, {unit}", f"ΔE, {unit}", f"ΔH, {unit}"],
        "rows": [
            [
                each.name, in_words(SHOT_ROLES, each.role), str(each.line) if each.line > 0 else "",
                p.small(each.north_m), p.small(each.east_m), p.small(each.up_m),
            ]
            for each in shown
        ],
        "note": note,
    }  # fmt: skip


def frame(given: Given) -> list[list[str]]:
    stated = given.stated
    distances = dict(CertificateParticulars.Distances.choices)[stated.get("distances", "")]
    units = {file["unit"] for file in given.measurement.request["files"]}
    read = ", ".join(LENGTH_UNITS[unit] for unit in sorted(units))
    return [
        ["Coordinate system", or_not(stated.get("coordinate_system"))],
        ["Height datum", or_not(stated.get("height_datum"))],
        ["Distances", distances],
        ["Unit", f"site: {LENGTH_UNITS[given.content['site']['length_unit']]}; files: {read}"],
        ["Crew", or_not(stated.get("crew"))],
        ["Photos", or_not(stated.get("photos"))],
        ["Closure", or_not(stated.get("control_closure"))],
    ]


def instruments(given: Given) -> list[list[str]]:
    return [
        [
            or_not(each.get("kind")),
            or_not(each.get("serial")),
            date_words(each.get("calibrated_on")) if each.get("calibrated_on") else NOT_STATED,
        ]
        for each in given.stated.get("instruments", [])
    ]


def limitations(given: Given) -> list[list[str]]:
    said = given.stated.get("limitations", {})
    rows = []
    for kind, words in LIMITATIONS.items():
        answer = said.get(kind)
        text = NOT_STATED if answer is None else answer["applies"]
        note = (answer or {}).get("note", "").strip()
        rows.append([words, f"{text}: {note}" if note else text])
    survey_note = given.content["survey"]["note"].strip()
    return [*rows, ["Note of the survey", survey_note]] if survey_note else rows


def findings(given: Given) -> list[dict[str, str]]:
    accepted = {each["code"]: each for each in given.content["accepted"]}
    length, volume = given.content["site"]["length_unit"], given.content["site"]["volume_unit"]
    return [
        {
            "severity": SEVERITIES[finding["severity"]][0],
            "message": in_units(finding["message"], finding.get("quantities", ()), length, volume),
            "accepted": (
                f"Accepted by {accepted[finding['code']]['by']}: {accepted[finding['code']]['reason']}"
                if finding["code"] in accepted
                else ""
            ),
        }
        for finding in given.record["findings"]
    ]


def files_read(given: Given) -> list[list[str]]:
    return [[file["name"], f"{file['bytes']:,}", file["sha256"]] for file in given.record["inputs"]]


def proof(given: Given) -> list[list[str]]:
    stated = given.stated
    by = (
        f"version {stated['version']} by {stated['stated_by']}, {given.printed.when(stated['stated_at'])}"
        if stated
        else NOT_STATED
    )
    return [
        ["Digest of the result", given.record["digest"]],
        ["Verify at", given.address],
        ["Algorithm, software", f"{given.record['algorithm']}; {given.software}"],
        ["Parameters", parameters(given)],
        ["Particulars stated", by],
    ]


def parameters(given: Given) -> str:
    """The model of uncertainty and the limits of findings that were pinned with the measurement."""
    pinned = {**given.measurement.request["model"], **given.measurement.request["limits"]}
    return ", ".join(f"{name} {value:g}" for name, value in pinned.items() if isinstance(value, (int, float)))


def annex(given: Given) -> list[list[str]]:
    """Every figure of the record as (name, value), in SI as the digest has it, rounded to three decimals."""
    rows: list[list[str]] = []

    def walk(name: str, value: Any) -> None:
        if isinstance(value, dict):
            for key, each in value.items():
                walk(f"{name}.{key}" if name else key, each)
        elif isinstance(value, list) and value and isinstance(value[0], dict):
            for number, each in enumerate(value, start=1):
                walk(f"{name}.{each.get('code', number)}", each)
        elif isinstance(value, list):
            rows.append([name, "  ".join(exact(each) for each in value)])
        elif name != "uncertainty.advice":
            rows.append([name, exact(value)])

    walk("", {key: value for key, value in given.record.items() if key not in LEAVE_IN_ANNEX})
    return [[name.removeprefix("uncertainty.terms."), value] for name, value in rows]
