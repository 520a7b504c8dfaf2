"""The density, and who answers for the figure: signatures, licence, seal."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from surveys.certificates.quantities import date_words, or_not
from surveys.certificates.wording import NOT_STATED, SEAL_MISSING, SEAL_UNKNOWN
from surveys.models import CertificateParticulars

if TYPE_CHECKING:
    from surveys.certificates.statement import Given

Rows = list[list[str]]


def parts(given: Given) -> dict[str, Any]:
    return {
        "density": density(given),
        "signed": signed(given),
        "licence": licence(given),
        "warnings": warnings(given),
    }


def density(given: Given) -> Rows:
    """The density in force on the day, with where it is from; or why there is none."""
    kept = given.content["density"]
    if kept is None:
        why = (given.measurement.request.get("no_density") or {}).get("message", "")
        return [["Density", f"none in force on the day, so no tonnes are certified. {why}".strip()]]
    moisture = "not stated"
    if kept["moisture_percent"] is not None:
        moisture = f"{kept['moisture_percent']} % {kept['moisture_percent_of']}"
    tests = "number of tests not stated" if kept["tests_n"] is None else f"{kept['tests_n']} tests"
    return [
        [
            "Density",
            f"{given.printed.plain(kept['t_per_m3'], 'density')}, record {kept['label']}, "
            f"in force from {date_words(kept['valid_from'])}",
        ],
        ["Uncertainty", f"{kept['standard_uncertainty_percent']} % (1 σ); grade {kept['grade']}"],
        ["State, moisture", f"{kept['state']}, {kept['moisture_basis']}; moisture {moisture}"],
        ["Source", f"{kept['method']}, {tests}; {kept['reason']}"],
        ["Approved by", ", ".join(kept["approved_by"]) or NOT_STATED],
    ]


def signed(given: Given) -> Rows:
    people, when = given.content["people"], given.printed.when
    reviewed = people["reviewed_by"] or "nobody yet"
    approved = people["approved_by"] or "nobody yet"
    return [
        ["Prepared", people["prepared_by"], when(people["submitted_at"])],
        ["Reviewed", reviewed, when(people["reviewed_at"]) if people["reviewed_at"] else ""],
        ["Approved", approved, when(people["approved_at"]) if people["approved_at"] else ""],
    ]


def licence(given: Given) -> Rows:
    stated = given.stated
    sealed = dict(CertificateParticulars.Sealed.choices)[stated.get("sealed_document_required", "")]
    by = stated.get("sealed_determined_by")
    expires = stated.get("licence_expires_on")
    number_words = or_not(stated.get("licence_number"))
    none = "none required" if stated.get("sealed_document_required") == "no" else ""
    seal = or_not(stated.get("sealed_document") or none)
    engagement = dict(CertificateParticulars.Engagement.choices)[stated.get("engagement", "")]
    return [
        ["Responsible professional", or_not(stated.get("responsible_professional"))],
        ["Licence number", f"{number_words}, expires {date_words(expires)}" if expires else number_words],
        ["Jurisdiction", or_not(stated.get("jurisdiction"))],
        ["Engaged", engagement],
        ["Sealed document", f"{sealed}, determined by {by}" if by else sealed],
        ["Seal", seal],
        ["Distribution", or_not(stated.get("distribution"))],
        ["Retention class", or_not(stated.get("retention_class"))],
    ]


def warnings(given: Given) -> list[str]:
    required = given.stated.get("sealed_document_required", "")
    if required == "yes" and not given.stated.get("sealed_document"):
        return [SEAL_MISSING]
    return [SEAL_UNKNOWN] if required in ("", "not-determined") else []
