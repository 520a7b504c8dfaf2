"""Who is asking, about what: the same few steps at the start of every page.

Every lookup begins at `for_user`, so that a thing of another organization is a 404 like a thing that
does not exist. Rights are asked again for every post, whatever the page showed.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import wraps
from typing import Any

from django.contrib import messages
from django.contrib.auth.decorators import login_required
from django.db.models import QuerySet
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render

from compute.errors import Refused
from inventory import rights
from inventory.errors import BookRefused, NotAllowed
from inventory.models import Organization, Pile, Site
from surveys.models import Measurement, Survey

YARDS_IN_MASTHEAD = 6


def member_page(view: Callable[..., HttpResponse]) -> Callable[..., HttpResponse]:
    """A page for members: signs in first, knows the person's `request.standing`, and turns what is not
    allowed into a page that says who may."""

    @login_required
    @wraps(view)
    def wrapped(request: HttpRequest, *args: Any, **kwargs: Any) -> HttpResponse:
        request.standing = rights.membership_of(request)
        if request.standing is None:
            return show(request, "pages/no_organization.html", {}, status=403)
        try:
            return view(request, *args, **kwargs)
        except NotAllowed as refusal:
            return show(request, "pages/not_allowed.html", {"refusal": refusal}, status=403)

    return wrapped


def show(request: HttpRequest, template: str, context: dict[str, Any], status: int = 200) -> HttpResponse:
    """Render a whole page with its masthead: the person's yards, organizations and roles."""
    standing = getattr(request, "standing", None)
    if standing is not None:
        yards = list(Site.objects.filter(organization=standing.organization).order_by("code"))
        context.setdefault("yards", yards[:YARDS_IN_MASTHEAD])
        context.setdefault("yards_more", len(yards) if len(yards) > YARDS_IN_MASTHEAD else 0)
        context.setdefault("organizations", organizations_of(request))
    context.setdefault("standing", standing)
    return render(request, template, context, status=status)


def organizations_of(request: HttpRequest) -> list[Organization]:
    return list(Organization.objects.for_user(request.user).order_by("name", "pk"))


def enter(request: HttpRequest, organization: Any) -> None:
    """Stand in the organization of what is shown, when a link led from one organization to another."""
    if request.standing.organization.pk != organization.pk:
        request.standing = rights.membership_of(request, organization.slug)


def site_or_404(request: HttpRequest, code: str) -> Site:
    sites = Site.objects.for_user(request.user).select_related("organization")
    return get_object_or_404(sites, organization=request.standing.organization, code=code)


def pile_or_404(request: HttpRequest, code: str, pile: str) -> Pile:
    piles = Pile.objects.for_user(request.user).select_related("site__organization", "material")
    return get_object_or_404(
        piles, site__organization=request.standing.organization, site__code=code, code=pile
    )


def survey_or_404(request: HttpRequest, survey_id: int) -> Survey:
    surveys = Survey.objects.for_user(request.user).select_related("site__organization", "prepared_by")
    survey = get_object_or_404(surveys, pk=survey_id)
    enter(request, survey.site.organization)
    return survey


def measurements(request: HttpRequest) -> QuerySet[Measurement]:
    """Measurements the person may see, with what a page about one of them names."""
    return Measurement.objects.for_user(request.user).select_related(
        "survey__site__organization",
        "pile__material",
        "pile__site__organization",
        "density",
        "base_version__pile",
        "prepared_by",
        "reviewed_by",
        "approved_by",
    )


def measurement_or_404(request: HttpRequest, measurement_id: int) -> Measurement:
    measurement = get_object_or_404(measurements(request), pk=measurement_id)
    enter(request, measurement.survey.site.organization)
    return measurement


def acted(request: HttpRequest, verb: Callable[[], Any], done: str, back: Any) -> HttpResponse:
    """Call one verb for a button, say what came of it, and go back to `back` (an object or a URL).

    A refusal is said in its own words with its remedy; what is not allowed rises to `member_page`.
    """
    try:
        verb()
    except NotAllowed:
        raise
    except (Refused, BookRefused) as refusal:
        messages.error(request, f"{refusal.message} {refusal.remedy}".strip(), extra_tags="is-stop")
    else:
        if done:
            messages.success(request, done, extra_tags="is-settled")
    return redirect(back)
