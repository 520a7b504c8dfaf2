"""The month: does the book agree with the yard, what differs, and what stands before the next step."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from django.contrib import messages
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect
from django.urls import reverse
from django.utils import timezone
from django.views.decorators.http import require_GET, require_POST

from inventory import adjusting, closing, explaining, periods
from inventory.closing_tasks import APPROVE, LOCK, RECONCILE, Task, tasks_before
from inventory.errors import BookRefused, NotAllowed
from inventory.models import Adjustment, Period, Pile, Site
from inventory.sheet import sheet_of
from surveys.pages.access import acted, member_page, show, site_or_404
from surveys.pages.figures import Units
from surveys.pages.month_sheet import CAUSE_CHOICES, differences, ruled

NEXT = {"open": RECONCILE, "counting": RECONCILE, "reconciled": APPROVE, "approved": LOCK}
ASKED = (
    "approve_adjustment",
    "post_adjustment",
    "agree_restatement",
    "reconcile_period",
    "lock_period",
    "see_audit_trail",
)
IN_WORDS = {RECONCILE: "reconciling", APPROVE: "approval", LOCK: "the lock"}


@dataclass(frozen=True)
class Step:
    """A button of the month: the verb behind it, from which states, for which action of the rights."""

    verb: Callable[..., Any]
    label: str
    states: tuple[str, ...]
    right: str
    needs_reason: bool = False
    is_main: bool = False


STEPS = {
    "count": Step(closing.start_counting, "Start counting", ("open",), "record_movement", is_main=True),
    "reconcile": Step(closing.reconcile, "Reconcile", ("counting",), "reconcile_period", is_main=True),
    "approve": Step(closing.approve, "Approve", ("reconciled",), "approve_period", is_main=True),
    "lock": Step(closing.lock, "Lock the month", ("approved",), "lock_period", is_main=True),
    "again": Step(closing.reconcile_again, "Reconcile again", ("reconciled",), "reconcile_period"),
    "reopen": Step(closing.stop_counting, "Stop counting", ("counting",), "record_movement", True),
    "send-back": Step(closing.send_back, "Send back", ("reconciled",), "approve_period", True),
    "take-back": Step(
        closing.take_approval_back, "Take the approval back", ("approved",), "lock_period", True
    ),
}


def period_or_404(request: HttpRequest, code: str, month: str) -> Period:
    rows = Period.objects.for_user(request.user).select_related("site__organization")
    return get_object_or_404(
        rows, site__organization=request.standing.organization, site__code=code, name=month
    )


@require_GET
@member_page
def month_page(request: HttpRequest, code: str, month: str) -> HttpResponse:
    """The month-end sheet of one site."""
    period = period_or_404(request, code, month)
    sheet = sheet_of(period)
    units = Units.of(period.site)
    can = request.standing.can
    explanations = list(period.explanations.select_related("by", "pile"))
    step = NEXT.get(period.state, "")
    tasks = tasks_before(step, period, sheet) if step else []
    takes_words = period.state in explaining.TAKES_WORDS
    context = {
        "site": period.site,
        "period": period,
        "sheet": sheet,
        "table": ruled(sheet, units),
        "units": units,
        "differences": differences(sheet, units, explanations, can("see_money")),
        "causes": CAUSE_CHOICES,
        "next_step": IN_WORDS.get(step, ""),
        "tasks": [(task, link_of(period, task)) for task in tasks],
        "buttons": buttons_of(request, period),
        "adjustments": _adjustments(request, period),
        "natures": Adjustment.Nature.choices,
        "reasons": [(code, words) for code, words in adjusting.REASONS.items() if code != "reversal"],
        "can_explain": takes_words and can("explain_variance"),
        "can_propose": period.state in periods.TAKES_POSTINGS and can("propose_adjustment"),
        "can_ask": period.state == "locked" and can("ask_restatement"),
        "sees_money": can("see_money"),
        "restatement": period.restatements.filter(ended_at__isnull=True).select_related("asked_by").first(),
        "can": {name: can(name) for name in ASKED},
        "before": periods.previous_of(period),
        "after": periods.next_of(period),
    }
    return show(request, "pages/month.html", context)


@require_GET
@member_page
def months_page(request: HttpRequest, code: str) -> HttpResponse:
    """The months of a site's book, newest first."""
    site = site_or_404(request, code)
    rows = Period.objects.for_user(request.user).filter(site=site).order_by("-starts_on")
    today = site.date_of(timezone.now())
    context = {
        "site": site,
        "months": rows,
        "this_month": f"{today:%Y-%m}",
        "can_open": request.standing.can("record_movement"),
    }
    return show(request, "pages/months.html", context)


@require_POST
@member_page
def open_month(request: HttpRequest, code: str) -> HttpResponse:
    site = site_or_404(request, code)
    try:
        day = dt.date.fromisoformat(f"{request.POST.get('month', '')}-01")
    except ValueError:
        messages.error(request, "Give the month as year and month, such as 2025-08.", extra_tags="is-stop")
        return redirect("months", site.code)
    back = reverse("months", args=[site.code])
    return acted(request, lambda: periods.open_period(site, day, request.user), "", back)


@require_POST
@member_page
def take_step(request: HttpRequest, code: str, month: str, step: str) -> HttpResponse:
    """One step of the month by its button."""
    period = period_or_404(request, code, month)
    if step not in STEPS:
        raise Http404
    chosen = STEPS[step]
    reason = request.POST.get("reason", "")
    return acted(request, lambda: chosen.verb(period, request.user, reason), "", _back(period))


@require_POST
@member_page
def explain(request: HttpRequest, code: str, month: str) -> HttpResponse:
    """What was typed beside the differing piles, all at once; empty fields say nothing."""
    period = period_or_404(request, code, month)
    piles = Pile.objects.for_user(request.user).filter(site=period.site_id)
    said = 0
    for pile in piles:
        text = request.POST.get(f"text-{pile.pk}", "").strip()
        if not text:
            continue
        cause = request.POST.get(f"cause-{pile.pk}", "other")
        try:
            explaining.explain(period, pile, text, request.user, cause)
            said += 1
        except NotAllowed:
            raise
        except BookRefused as refusal:
            messages.error(request, f"{refusal.message} {refusal.remedy}".strip(), extra_tags="is-stop")
    if said:
        words = "1 explanation was kept." if said == 1 else f"{said} explanations were kept."
        messages.success(request, words, extra_tags="is-settled")
    return redirect(_back(period) + "#differences")


@require_POST
@member_page
def propose(request: HttpRequest, code: str, month: str) -> HttpResponse:
    """Propose an adjustment of one pile; its evidence is the count that the sheet took."""
    period = period_or_404(request, code, month)
    piles = Pile.objects.for_user(request.user).filter(site=period.site_id)
    pile = get_object_or_404(piles, pk=_number(request.POST.get("pile")))
    line = sheet_of(period).line_of(pile)
    reason_code = request.POST.get("reason_code", "")
    count = None if line is None or reason_code == adjusting.OVERRIDE else line.count

    def verb() -> None:
        adjusting.propose_adjustment(
            period,
            pile,
            tonnes=request.POST.get("tonnes", "").strip(),
            nature=request.POST.get("nature", ""),
            reason_code=reason_code,
            reason=request.POST.get("reason", ""),
            by=request.user,
            count=count,
        )

    return acted(request, verb, "The adjustment waits for a controller.", _back(period) + "#adjustments")


@require_POST
@member_page
def adjustment_step(request: HttpRequest, adjustment_id: int, step: str) -> HttpResponse:
    """Approve, reject or post an adjustment."""
    rows = Adjustment.objects.for_user(request.user).select_related("period__site__organization", "pile")
    adjustment = get_object_or_404(
        rows, pk=adjustment_id, period__site__organization=request.standing.organization
    )
    verbs: dict[str, Callable[[], Any]] = {
        "approve": lambda: adjusting.approve_adjustment(adjustment, request.user),
        "post": lambda: adjusting.post_adjustment(adjustment, request.user),
        "reject": lambda: adjusting.reject_adjustment(
            adjustment, request.user, request.POST.get("reason", "")
        ),
    }
    if step not in verbs:
        raise Http404
    return acted(request, verbs[step], "", _back(adjustment.period) + "#adjustments")


def buttons_of(request: HttpRequest, period: Period) -> list[tuple[str, Step]]:
    """Steps that the period's state and the person's roles allow; whether another person is needed is told
    when the button is used."""
    return [
        (name, step)
        for name, step in STEPS.items()
        if period.state in step.states and request.standing.can(step.right)
    ]


def link_of(period: Period, task: Task) -> str:
    """Where a task is done: on this page, or on the month before."""
    kind, _, pk = task.subject.partition(":")
    if kind == "period":
        before = periods.previous_of(period)
        return "" if before is None else _back(before)
    if kind == "measurement":
        return reverse("measurement", args=[pk])
    anchors = {"pile": f"#pile-{pk}", "adjustment": f"#adjustment-{pk}"}
    return anchors.get(kind, "")


def _adjustments(request: HttpRequest, period: Period) -> list[Adjustment]:
    rows = Adjustment.objects.for_user(request.user).filter(period=period)
    return list(rows.select_related("pile", "proposed_by", "approved_by", "count", "reverses__period"))


def _back(period: Period) -> str:
    site: Site = period.site
    return reverse("month", args=[site.code, period.name])


def _number(text: str | None) -> int:
    return int(text) if text and text.isdigit() else 0
