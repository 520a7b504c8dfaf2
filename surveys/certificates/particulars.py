"""What the surveyor states for a certificate: purpose, people, licence, instruments, limitations.

Nothing here is worked out and nothing is invented. What a certificate of the same site said before is carried
over as a proposal that a person has to confirm; what changes from visit to visit is not.
"""

from __future__ import annotations

import datetime as dt
from typing import Any

from django.core.exceptions import ValidationError
from django.db import transaction
from django.utils import timezone

from inventory import rights
from inventory.errors import BadEntry
from inventory.models import Pile
from surveys.errors import WrongState
from surveys.models import CertificateParticulars, Measurement, State

LIMITATIONS = {
    "not-walked": "Not walked, for safety",
    "hidden-faces": "Faces that could not be seen",
    "being-worked": "Worked during the survey",
    "snow": "Snow or ice on the pile",
    "standing-water": "Standing water",
}
"""Kind → what a person reads. Each applies, does not, or is not stated."""

CARRIED = (
    "purpose",
    "intended_user",
    "distribution",
    "retention_class",
    "crew",
    "responsible_professional",
    "licence_number",
    "licence_expires_on",
    "jurisdiction",
    "engagement",
    "sealed_document_required",
    "sealed_determined_by",
    "instruments",
    "coordinate_system",
    "height_datum",
    "distances",
    "walls",
)
"""What holds from one visit to the next. Limitations, closure, cut-off, seal and photos belong to one."""

STATED = (
    *CARRIED,
    "cut_off_at",
    "sealed_document",
    "control_closure",
    "limitations",
    "unseen",
    "photos",
)

OPEN_STATES = (State.DRAFT, State.COMPUTED, State.REVIEWED)


def state_particulars(measurement: Measurement, by: Any, stated: dict[str, Any]) -> CertificateParticulars:
    """Keep what `by` states for the certificate, as the next version.

    Raises `NotAllowed`, `BadEntry`, and `WrongState` once it is approved, sent back or withdrawn.
    """
    rights.require(by, measurement.survey.site.organization, "submit_measurement")
    with transaction.atomic():
        # The pile's row is the queue of its approvals: none can pass between the check and the row.
        Pile.objects.select_for_update(of=("self",)).get(pk=measurement.pile_id)
        measurement.refresh_from_db(fields=["state"])
        if measurement.state not in OPEN_STATES:
            raise WrongState(
                f"Version {measurement.version} of {measurement.pile} on {measurement.surveyed_on} is "
                f"{measurement.state}: what its certificate states can no longer change. Nothing was kept.",
                where=measurement.evidence_ref,
                remedy="Measure the pile again, with the reason, and state it for the new version.",
            )
        last = newest_of(measurement)
        row = CertificateParticulars(
            measurement=measurement,
            version=last.version + 1 if last else 1,
            stated_by=by,
            stated_at=timezone.now(),
            **{name: stated[name] for name in STATED if name in stated},
        )
        check(row)
        row.save(force_insert=True)
    return row


def check(row: CertificateParticulars) -> None:
    """`BadEntry` with everything that is wrong at once."""
    faults = []
    try:
        row.clean_fields(exclude=["measurement", "stated_by"])
    except ValidationError as wrong:
        faults += [f"{name.replace('_', ' ')}: {' '.join(said)}" for name, said in wrong.message_dict.items()]
    faults += [
        f"instrument {number}: its kind is not said"
        for number, instrument in enumerate(row.instruments, start=1)
        if not str(instrument.get("kind", "")).strip()
    ]
    faults += [f"{kind} is no limitation" for kind in row.limitations if kind not in LIMITATIONS]
    faults += [
        f"{LIMITATIONS[kind].lower()}: say yes or no"
        for kind, said in row.limitations.items()
        if kind in LIMITATIONS and said.get("applies") not in ("yes", "no")
    ]
    if faults:
        raise BadEntry(
            f"The particulars cannot be kept. {'; '.join(faults)}. Nothing was changed.",
            where="particulars",
            remedy="Correct what is named and keep them again.",
        )


def newest_of(measurement: Measurement) -> CertificateParticulars | None:
    return measurement.particulars.order_by("-version").first()


def proposal_for(measurement: Measurement) -> tuple[dict[str, Any], CertificateParticulars | None]:
    """What a form begins with, and the other certificate it is carried over from, if it is from one.

    The newest version of this measurement as it stands; else what was stated last at the same site, as far
    as it holds from one visit to the next.
    """
    own = newest_of(measurement)
    if own is not None:
        return values_of(own, STATED), None
    before = (
        CertificateParticulars.objects.filter(measurement__survey__site=measurement.survey.site_id)
        .exclude(measurement=measurement)
        .select_related("measurement__pile")
        .order_by("-stated_at", "-pk")
        .first()
    )
    return (values_of(before, CARRIED), before) if before else ({}, None)


def values_of(row: CertificateParticulars, names: tuple[str, ...]) -> dict[str, Any]:
    return {name: getattr(row, name) for name in names}


def as_content(row: CertificateParticulars | None) -> dict[str, Any]:
    """As plain JSON for what is issued; empty where nobody stated anything."""
    if row is None:
        return {}
    values = values_of(row, STATED)
    plain = {
        name: value.isoformat() if isinstance(value, dt.date) else value for name, value in values.items()
    }
    return {
        **plain,
        "version": row.version,
        "stated_by": str(row.stated_by),
        "stated_at": row.stated_at.isoformat(),
    }
