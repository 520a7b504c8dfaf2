"""The monthly letter of a site: to read, to print, to take away as plain text."""

from __future__ import annotations

from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect
from django.views.decorators.http import require_GET

from inventory.models import Period
from surveys.letter import letter_of
from surveys.pages.access import member_page, show, site_or_404
from surveys.pages.exports import attached
from surveys.pages.month import period_or_404


@require_GET
@member_page
def letters_page(request: HttpRequest, code: str) -> HttpResponse:
    """The newest month's letter; without a month, a page that says so."""
    site = site_or_404(request, code)
    newest = Period.objects.filter(site=site).order_by("-starts_on").first()
    if newest is None:
        return show(request, "pages/letter.html", {"site": site, "months": []})
    return redirect("letter", code=site.code, month=newest.name)


@require_GET
@member_page
def letter_page(request: HttpRequest, code: str, month: str) -> HttpResponse:
    period = period_or_404(request, code, month)
    context = {
        "site": period.site,
        "period": period,
        "letter": letter_of(request.user, period),
        "months": list(Period.objects.filter(site=period.site).order_by("-starts_on")[:24]),
    }
    return show(request, "pages/letter.html", context)


@require_GET
@member_page
def letter_text(request: HttpRequest, code: str, month: str) -> HttpResponse:
    period = period_or_404(request, code, month)
    text = letter_of(request.user, period).as_text().encode()
    return attached(text, "text/plain; charset=utf-8", f"letter-{period.site.code}-{period.name}.txt")
