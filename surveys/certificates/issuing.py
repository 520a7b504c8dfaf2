"""Issuing: the names and facts around an approved measurement, fixed at the moment of its approval.

The book may word them otherwise later: a pile is renamed, a person leaves, an earlier survey is corrected.
What was issued says what was known when it was signed.
"""

from __future__ import annotations

import datetime as dt
import hashlib
from typing import Any

import rfc8785
from django.conf import settings
from django.utils import timezone

from inventory.models import BaseVersion, DensityRecord
from surveys.certificates.numbering import certificate_of
from surveys.certificates.particulars import as_content, newest_of
from surveys.certificates.rolled import roll_as_content
from surveys.models import IssuedCertificate, Measurement, State


def issue(measurement: Measurement) -> IssuedCertificate:
    """The certificate of an approved measurement; the one that is there, if it was issued before."""
    issued = IssuedCertificate.objects.filter(measurement=measurement).first()
    if issued is not None:
        return issued
    number, version = certificate_of(measurement)
    content = content_of(measurement)
    # Two requests may come for one that was approved before certificates were issued: one row wins.
    issued, _ = IssuedCertificate.objects.get_or_create(
        measurement=measurement,
        defaults={
            "number": number,
            "version": version,
            "particulars": newest_of(measurement),
            "content": content,
            "digest": hashlib.sha256(rfc8785.dumps(content)).hexdigest(),
            "issued_at": measurement.approved_at or timezone.now(),
        },
    )
    return issued


def content_of(measurement: Measurement) -> dict[str, Any]:
    """Everything that is printed and is not in the measurement's own record, as plain JSON."""
    pile, survey = measurement.pile, measurement.survey
    site, stated = survey.site, newest_of(measurement)
    return {
        "organization": site.organization.name,
        "verified_at": settings.PUBLIC_ADDRESS.rstrip("/"),
        "site": {
            "code": site.code,
            "name": site.name,
            "timezone": site.timezone,
            "length_unit": site.length_unit,
            "volume_unit": site.volume_unit,
            "mass_unit": site.mass_unit,
        },
        "pile": {"code": pile.code, "name": pile.name, "hazards": pile.hazards},
        "material": {"code": pile.material.code, "name": pile.material.name},
        "survey": {
            "started_at": moment(survey.started_at),
            "ended_at": moment(survey.ended_at),
            "method": survey.method,
            "note": survey.note,
        },
        "people": {
            "prepared_by": str(measurement.prepared_by),
            "submitted_at": moment(measurement.submitted_at),
            "reviewed_by": named(measurement.reviewed_by),
            "reviewed_at": moment(reviewed_at(measurement)),
            "approved_by": named(measurement.approved_by),
            "approved_at": moment(measurement.approved_at),
            "correction_reason": measurement.correction_reason,
        },
        "base": base_as_content(measurement.base_version),
        "density": density_as_content(measurement.density),
        "particulars": as_content(stated),
        "rolled": roll_as_content(measurement, stated and stated.cut_off_at),
        "accepted": [
            {"code": each.code, "reason": each.reason, "by": str(each.by)}
            for each in measurement.acceptances.select_related("by").order_by("id")
        ],
        "previous": previous_as_content(measurement),
    }


def reviewed_at(measurement: Measurement) -> dt.datetime | None:
    step = measurement.transitions.filter(to_state=State.REVIEWED).order_by("-id").first()
    return step and step.at


def moment(value: dt.datetime | None) -> str | None:
    return None if value is None else value.isoformat()


def named(person: Any) -> str | None:
    return None if person is None else str(person)


def base_as_content(base: BaseVersion | None) -> dict[str, Any] | None:
    return base and {
        "version": base.version,
        "kind": base.kind,
        "valid_from": base.valid_from.isoformat(),
        "valid_to": base.valid_to and base.valid_to.isoformat(),
        "reason": base.reason,
        "level_m": None if base.level_m is None else str(base.level_m),
        "height_uncertainty_m": str(base.height_uncertainty_m),
        "evidence_name": base.evidence_name,
        "approved_by": named(base.approved_by),
    }


def density_as_content(record: DensityRecord | None) -> dict[str, Any] | None:
    return record and {
        "label": record.label,
        "scope": record.scope,
        "t_per_m3": str(record.t_per_m3),
        "standard_uncertainty_percent": str(record.standard_uncertainty_percent),
        "grade": record.get_grade_display(),
        "state": record.get_state_display(),
        "moisture_basis": record.get_moisture_basis_display(),
        "moisture_percent": None if record.moisture_percent is None else str(record.moisture_percent),
        "moisture_percent_of": record.get_moisture_percent_of_display() if record.moisture_percent_of else "",
        "tests_n": record.tests_n,
        "method": record.method,
        "reason": record.reason,
        "valid_from": record.valid_from.isoformat(),
        "approved_by": [
            f"{signed.by} ({signed.get_role_display().lower()})"
            for signed in record.approvals.select_related("by").order_by("at", "pk")
        ],
    }


def previous_as_content(measurement: Measurement) -> dict[str, Any] | None:
    """The approved survey of the pile before this one, as it stood; its geometry is write-once."""
    before = (
        Measurement.objects.filter(
            pile=measurement.pile_id, surveyed_on__lt=measurement.surveyed_on, state=State.APPROVED
        )
        .select_related("pile")
        .order_by("-surveyed_on")
        .first()
    )
    if before is None:
        return None
    number, version = certificate_of(before)
    return {
        "uuid": str(before.uuid),
        "number": number,
        "version": version,
        "surveyed_on": before.surveyed_on.isoformat(),
        "digest": before.digest,
    }
