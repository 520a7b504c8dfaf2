"""A certificate: what is stated for it, its PDF, and the place where its digest is verified."""

from __future__ import annotations

from typing import Any

from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import redirect
from django.urls import reverse
from django.views.decorators.http import require_GET

from compute.errors import Refused
from inventory.errors import BookRefused, NotAllowed
from surveys.certificates import making
from surveys.certificates.finding import CERTIFIED, doubt_about, replacement_of
from surveys.certificates.numbering import certificate_of
from surveys.certificates.particulars import OPEN_STATES, newest_of, proposal_for, state_particulars
from surveys.certificates.wording import NOT_STATED, SEAL_MISSING
from surveys.errors import EvidenceDamaged, EvidenceMissing
from surveys.models import CertificateParticulars, Measurement
from surveys.pages.access import enter, measurement_or_404, measurements, member_page, show
from surveys.pages.certificate_form import LIMITATIONS, ParticularsForm, as_initial
from surveys.pages.figures import Units
from surveys.pages.filling import FORM

PDF = "application/pdf"


@FORM
@member_page
def certificate_page(request: HttpRequest, measurement_id: int) -> HttpResponse:
    """What is stated for the certificate; before approval also the form for it."""
    m = measurement_or_404(request, measurement_id)
    if request.method == "POST":
        request.standing.require("submit_measurement")
    proposed, carried_from = proposal_for(m)
    site = m.survey.site
    form = ParticularsForm(site, request.POST or None, initial=as_initial(proposed, site))
    if request.method == "POST" and form.is_valid():
        try:
            state_particulars(m, request.user, form.stated())
        except NotAllowed:
            raise
        except (Refused, BookRefused) as refusal:
            form.refuse(refusal)
        else:
            return redirect(reverse("certificate-page", args=[m.pk]))
    number, version = certificate_of(m)
    stated = newest_of(m)
    context = {
        "m": m,
        "site": site,
        "units": Units.of(site),
        "number": number,
        "version": version,
        "stated": stated,
        "rows": rows_of(stated),
        "form": form,
        "carried_from": carried_from,
        "may_state": m.state in OPEN_STATES and request.standing.can("submit_measurement"),
        "may_take": request.standing.can("export_stock") and bool(m.geometry_path),
        "is_certified": m.state in CERTIFIED,
        "replaced_by": replacement_of(m),
        "doubt": doubt_about(m),
        "seal_missing": SEAL_MISSING if seal_is_missing(stated) else "",
    }
    return show(request, "pages/certificate.html", context, 422 if form.errors else 200)


def seal_is_missing(stated: CertificateParticulars | None) -> bool:
    return stated is not None and stated.sealed_document_required == "yes" and not stated.sealed_document


def rows_of(stated: CertificateParticulars | None) -> list[tuple[str, str]]:
    """Everything that can be stated, with what was; for reading, in the order of the form."""
    rows = []
    for name, field in ParticularsForm.base_fields.items():
        value: Any = getattr(stated, name, "") if stated else ""
        display = getattr(stated, f"get_{name}_display", None)
        if name == "instruments":
            value = "\n".join(
                ", ".join(filter(None, (each["kind"], each.get("serial"), each.get("calibrated_on"))))
                for each in value or []
            )
        rows.append((str(field.label), str(display() if display else value or "") or NOT_STATED))
    said = stated.limitations if stated else {}
    for kind, label in LIMITATIONS.items():
        answer = said.get(kind)
        words = NOT_STATED if answer is None else ": ".join(filter(None, (answer["applies"], answer["note"])))
        rows.append((label, words))
    return rows


@require_GET
@member_page
def certificate_pdf(request: HttpRequest, measurement_id: int) -> HttpResponse:
    """The certificate of what is approved, or a preview marked as not approved."""
    m = measurement_or_404(request, measurement_id)
    request.standing.require("export_stock")
    if not m.geometry_path or (m.state not in CERTIFIED and m.state not in OPEN_STATES):
        raise Http404
    try:
        made = making.certificate(m) if m.state in CERTIFIED else making.preview(m)
    except (EvidenceMissing, EvidenceDamaged) as refusal:
        raise Http404(refusal.message) from refusal
    response = HttpResponse(made.data, content_type=PDF)
    name = made.name if m.state in CERTIFIED else f"preview-{made.name}"
    response["Content-Disposition"] = f'inline; filename="{name}"'
    return response


@require_GET
@member_page
def verify_page(request: HttpRequest, digest: str) -> HttpResponse:
    """What this ledger knows of a printed digest. It works nothing out unless somebody asks."""
    found = list(measurements(request).filter(digest=digest.strip().lower()).order_by("pk")) if digest else []
    if not found:
        return show(request, "pages/verify.html", {"digest": digest, "known": []}, 404)
    enter(request, found[0].survey.site.organization)
    known = [known_as(m) for m in found]
    context = {
        "digest": found[0].digest,
        "known": known,
        "can_recompute": request.standing.can("recompute"),
        "may_take": request.standing.can("export_stock"),
    }
    return show(request, "pages/verify.html", context)


def known_as(m: Measurement) -> dict[str, Any]:
    number, version = certificate_of(m)
    return {
        "m": m,
        "number": number,
        "version": version,
        "is_certified": m.state in CERTIFIED,
        "replaced_by": replacement_of(m),
        "doubt": doubt_about(m),
        "units": Units.of(m.survey.site),
    }
