"""One figure unfolded to everything it came from, and the steps of its life."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from django.contrib import messages
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import redirect
from django.urls import reverse
from django.utils.http import url_has_allowed_host_and_scheme
from django.views.decorators.http import require_GET, require_POST

from compute.errors import Refused
from inventory.errors import BookRefused, NotAllowed
from inventory.models import StockCount
from inventory.superseding import effects_of_superseding
from surveys import measuring, review
from surveys.life import STEPS
from surveys.models import JobState, Measurement, State
from surveys.pages.access import acted, measurement_or_404, measurements, member_page, show
from surveys.pages.figures import Units
from surveys.pages.geometry import arrays_of, plan_of, shots_of, thinned_words
from surveys.pages.rows import silhouettes, weighed_findings
from surveys.replaying import replay

VERBS = {
    "submit": (review.submit, "Handed over for review."),
    "review": (review.review, "Marked as reviewed."),
    "approve": (review.approve, "Approved and counted in the stock."),
    "send_back": (review.send_back, "Sent back. The answer to it is a new version."),
    "withdraw": (review.withdraw, "Withdrawn."),
}


@dataclass(frozen=True)
class Term:
    """One term of the budget: standard uncertainty and its share of the variance."""

    name: str
    standard: float
    share: float
    is_dominant: bool

    @property
    def percent(self) -> float:
        return 100 * self.share


@require_GET
@member_page
def measurement_page(request: HttpRequest, measurement_id: int) -> HttpResponse:
    m = measurement_or_404(request, measurement_id)
    site = m.survey.site
    units = Units.of(site)
    versions = list(
        measurements(request)
        .filter(pile=m.pile, surveyed_on=m.surveyed_on)
        .defer("record", "request")
        .order_by("version")
    )
    arrays = arrays_of(m)
    shots = shots_of(arrays) if arrays else None
    m.minus_below_m3 = None if m.below_m3 is None else -m.below_m3
    context = {
        "m": m,
        "measurement": m,
        "site": site,
        "units": units,
        "findings": weighed_findings(m),
        "own": {m.pk} if m.prepared_by_id == request.user.pk else set(),
        "can_accept": request.standing.can("accept_finding"),
        "versions": versions,
        "transitions": m.transitions.select_related("by").order_by("id"),
        "volume_terms": volume_terms(m.record) if m.record else [],
        "tonnes_terms": tonnes_terms(m.record) if m.record else [],
        "steps": (open_steps := steps_open(request, m)),
        "effects": effects_of_approving(m) if "approve" in open_steps else [],
        "can_recompute": request.standing.can("recompute") and bool(m.digest),
        "may_export": request.standing.can("export_stock"),
        "can_measure": request.standing.can("compute_measurement"),
        "drawing": silhouettes([m], {}, 420).get(m.pile_id, ""),
        "plan": plan_of(m, arrays, shots, units) if arrays and shots else "",
        "roles": shots.by_role if shots else [],
        "thinned": thinned_words(units, arrays),
        "lost": arrays is None and bool(m.geometry_path),
        "is_working": m.state == State.DRAFT and m.job_state in (JobState.WAITING, JobState.RUNNING),
    }
    return show(request, "pages/measurement.html", context)


def effects_of_approving(m: Measurement) -> list[str]:
    """What the approval would do to months that rest on the figure it replaces, in words."""
    standing = StockCount.objects.current().filter(pile=m.pile, counted_on=m.surveyed_on)
    count = standing.select_related("pile").first()
    return [] if count is None else effects_of_superseding(count)


def volume_terms(record: dict[str, Any]) -> list[Term]:
    """The budget of the net volume, the largest first, as shares of the variance."""
    doubt = record["uncertainty"]
    total = sum(value**2 for value in doubt["terms"].values()) or 1.0
    terms = [
        Term(name, value, value**2 / total, name == doubt["dominant"])
        for name, value in doubt["terms"].items()
    ]
    return sorted(terms, key=lambda term: -term.share)


def tonnes_terms(record: dict[str, Any]) -> list[Term]:
    """How the variance of the tonnes divides between volume and density; empty without tonnes."""
    share = record["uncertainty"].get("density_share")
    if record.get("tonnes") is None or share is None:
        return []
    standard = record["uncertainty"]["tonnes"] / 2
    return [
        Term("density", standard * share**0.5, share, share >= 0.5),
        Term("volume", standard * (1 - share) ** 0.5, 1 - share, share < 0.5),
    ]


def steps_open(request: HttpRequest, m: Measurement) -> list[str]:
    """Steps the person could take now, in the order of the life of a measurement."""
    can = request.standing.can
    mine = m.prepared_by_id == request.user.pk
    steps = []
    if m.state == State.COMPUTED and m.submitted_at is None and can("submit_measurement"):
        steps.append("submit")
    for name in ("review", "approve", "send_back", "withdraw"):
        step = STEPS[name]
        if m.state in step.from_states and can(step.right) and not (step.by_another and mine):
            steps.append(name)
    if "review" in steps and m.submitted_at is None:
        steps.remove("review")
    return steps


@require_POST
@member_page
def take_step(request: HttpRequest, measurement_id: int, step: str) -> HttpResponse:
    if step not in VERBS:
        raise Http404
    m = measurement_or_404(request, measurement_id)
    verb, done = VERBS[step]
    said = request.POST.get("reason", "")
    return acted(request, lambda: verb(m, request.user, said), done, _back(request, m))


def _back(request: HttpRequest, m: Measurement) -> str:
    """Where the form stood, if that is a page of ours; else the measurement's own page."""
    wanted = request.POST.get("back", "")
    if wanted and url_has_allowed_host_and_scheme(wanted, allowed_hosts={request.get_host()}):
        return wanted
    return reverse("measurement", args=[m.pk])


@require_POST
@member_page
def accept(request: HttpRequest, measurement_id: int) -> HttpResponse:
    m = measurement_or_404(request, measurement_id)
    code, reason = request.POST.get("code", ""), request.POST.get("reason", "")
    return acted(
        request,
        lambda: review.accept_finding(m, code, request.user, reason),
        f"{m.pile.code}: finding accepted, with your reason beside it.",
        _back(request, m),
    )


@require_POST
@member_page
def measure_again(request: HttpRequest, measurement_id: int) -> HttpResponse:
    """The next version of the same pile and survey, with the inputs in force now."""
    m = measurement_or_404(request, measurement_id)
    reason = request.POST.get("reason", "")
    return acted(
        request,
        lambda: measuring.request_measurement(m.survey, m.pile, request.user, reason),
        "",
        reverse("survey", args=[m.survey_id]),
    )


@require_POST
@member_page
def recompute(request: HttpRequest, measurement_id: int) -> HttpResponse:
    """Work the figure out once more from its pinned inputs and hold the digest against the one kept."""
    m = measurement_or_404(request, measurement_id)
    try:
        replayed = replay(m, request.user)
    except NotAllowed:
        raise
    except (Refused, BookRefused) as refusal:
        messages.error(request, f"{refusal.message} {refusal.remedy}".strip(), extra_tags="is-stop")
    else:
        if replayed.is_same:
            said = f"Recomputed from the stored files: the digest is the same, {m.digest[:12]}…"
            messages.success(request, said, extra_tags="is-settled")
        else:
            other = replayed.recomputed_digest
            said = f"Recomputed, the digest is another: {other[:12]}… instead of {m.digest[:12]}…"
            messages.error(
                request,
                f"{said} Do not rely on the figure until an administrator has found out why.",
                extra_tags="is-stop",
            )
    return redirect(reverse("measurement", args=[m.pk]))
