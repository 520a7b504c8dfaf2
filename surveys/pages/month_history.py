"""What happened to a month and to the book: steps, restatements with their bridges, the audit trail."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from django.core.paginator import Paginator
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404
from django.urls import reverse
from django.views.decorators.http import require_GET, require_POST

from inventory import restating
from inventory.audit import walk_chain
from inventory.models import AuditEvent, Restatement
from surveys.pages.access import acted, member_page, show
from surveys.pages.month import period_or_404

EVENTS_A_PAGE = 50


@require_GET
@member_page
def history_page(request: HttpRequest, code: str, month: str) -> HttpResponse:
    """Who took which step of a month, why, and what restatements changed."""
    period = period_or_404(request, code, month)
    context = {
        "site": period.site,
        "period": period,
        "steps": period.steps.select_related("by").order_by("pk"),
        "restatements": period.restatements.select_related("asked_by", "agreed_by"),
        "late": period.late_movements.select_related("pile", "recorded_by").order_by("moved_at"),
        "sees_money": request.standing.can("see_money"),
    }
    return show(request, "pages/month_history.html", context)


@require_POST
@member_page
def ask_restatement(request: HttpRequest, code: str, month: str) -> HttpResponse:
    period = period_or_404(request, code, month)
    reason = request.POST.get("reason", "")
    done = "A person of another role has to agree before the month opens."
    return acted(
        request,
        lambda: restating.ask_restatement(period, request.user, reason),
        done,
        reverse("month", args=[code, month]),
    )


@require_POST
@member_page
def restatement_step(request: HttpRequest, restatement_id: int, step: str) -> HttpResponse:
    """Agree to a restatement, reconcile it, or end it."""
    rows = Restatement.objects.for_user(request.user).select_related("period__site__organization")
    restatement = get_object_or_404(
        rows, pk=restatement_id, period__site__organization=request.standing.organization
    )
    verbs: dict[str, Callable[..., Any]] = {
        "agree": restating.agree_restatement,
        "reconcile": restating.reconcile_restated,
        "end": restating.end_restatement,
    }
    if step not in verbs:
        raise Http404
    period = restatement.period
    back = reverse("month", args=[period.site.code, period.name])
    return acted(request, lambda: verbs[step](restatement, request.user), "", back)


@require_GET
@member_page
def trail_page(request: HttpRequest) -> HttpResponse:
    """Every act of the organization, newest first, with whether the chain holds."""
    request.standing.require("see_audit_trail")
    organization = request.standing.organization
    events = AuditEvent.objects.for_user(request.user).filter(organization=organization)
    subject = request.GET.get("subject", "")
    if subject:
        events = events.filter(subject=subject)
    page = Paginator(events.select_related("by").order_by("-seq"), EVENTS_A_PAGE)
    context = {
        "here": "trail",
        "page": page.get_page(request.GET.get("page")),
        "subject": subject,
        "checked": "check" in request.GET,
        "problems": walk_chain(organization) if "check" in request.GET else [],
    }
    return show(request, "pages/trail.html", context)
