"""What the demo's surveyors state for their certificates. Invented; no licence is pretended."""

from __future__ import annotations

from typing import Any

from surveys.certificates.particulars import LIMITATIONS, newest_of, state_particulars
from surveys.models import Measurement

EVERYWHERE: dict[str, Any] = {
    "purpose": "Monthly stock for the book and the year end",
    "intended_user": "Accountant and auditor of the company",
    "distribution": "Site manager, accountant",
    "retention_class": "Stock records, ten years",
    "responsible_professional": "Lead surveyor",
    "engagement": "employed",
    "distances": "ground",
    "height_datum": "Bench mark of the site, heights above it as listed with the control",
}

BY_SITE: dict[str, dict[str, Any]] = {
    "DRV": {
        "crew": "Surveyor 1 and a helper at the pole",
        "jurisdiction": "Internal stock; no statute was found to apply",
        "sealed_document_required": "no",
        "sealed_determined_by": "Lead surveyor",
        "coordinate_system": "Local grid of the quarry, metres",
        "instruments": [
            {"kind": "Total station, 5 seconds", "serial": "TS-0417", "calibrated_on": "2024-11-18"},
            {"kind": "Pole with flat foot, prism −30 mm", "serial": "P-2", "calibrated_on": "2024-12-02"},
        ],
    },
    "TUL": {
        "crew": "Surveyor 2 and a helper at the pole",
        "jurisdiction": "Internal stock; no statute was found to apply",
        "sealed_document_required": "no",
        "sealed_determined_by": "Lead surveyor",
        "coordinate_system": "Local grid of the wharf, metres",
        "instruments": [
            {"kind": "Total station, 2 seconds", "serial": "TS-0533", "calibrated_on": "2024-10-07"},
            {"kind": "Pole with flat foot, prism 0 mm", "serial": "P-5", "calibrated_on": "2024-12-02"},
        ],
    },
    "KTV": {
        "crew": "Surveyor 2, alone",
        "sealed_document_required": "not-determined",
        "coordinate_system": "Local grid of the yard, international feet",
        "instruments": [
            {"kind": "Total station, 2 seconds", "serial": "TS-0533", "calibrated_on": "2024-10-07"},
        ],
    },
}

BY_PILE: dict[str, dict[str, Any]] = {
    "TUL-01": {
        "walls": "Three walls of the bay, as shot along the contact with the material.",
        "limitations": {
            "hidden-faces": {"applies": "yes", "note": "foot of the back wall under the material"}
        },
    },
    "TUL-03": {
        "limitations": {"not-walked": {"applies": "yes", "note": "feeder below; shot from the edges"}},
    },
    "DRV-01": {
        "limitations": {"being-worked": {"applies": "yes", "note": "stacker ran until the crew began"}},
    },
}


def state_what_is_known(measurement: Measurement) -> None:
    """State the particulars of one measurement as its surveyor would, once."""
    if newest_of(measurement) is not None:
        return
    pile = measurement.pile
    own = BY_PILE.get(pile.code, {})
    limitations = {kind: {"applies": "no", "note": ""} for kind in LIMITATIONS}
    state_particulars(
        measurement,
        measurement.prepared_by,
        {
            **EVERYWHERE,
            **BY_SITE.get(pile.site.code, {}),
            **own,
            "limitations": {**limitations, **own.get("limitations", {})},
        },
    )
