"""The one way of a form, from what a person typed to one verb."""

from __future__ import annotations

from collections.abc import Callable
from decimal import Decimal
from typing import Any

from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect
from django.views.decorators.http import require_http_methods

from compute.errors import Refused
from compute.units import LENGTH_IN_M
from inventory.errors import BookRefused, NotAllowed
from inventory.models import Site
from surveys.pages.access import show
from surveys.pages.forms import PlainForm

FORM = require_http_methods(["GET", "POST"])


def filled(
    request: HttpRequest,
    form: PlainForm,
    verb: Callable[[dict[str, Any]], Any],
    page: dict[str, Any],
    done: Callable[[Any], str],
) -> HttpResponse:
    """The one way of a form: valid → one verb → the page of what it made; a refusal goes into the form."""
    if request.method == "POST" and form.is_valid():
        try:
            made = verb(form.cleaned_data)
        except NotAllowed:
            raise
        except (Refused, BookRefused) as refusal:
            form.refuse(refusal)
        else:
            return redirect(done(made))
    template = page.get("template", "pages/form.html")
    return show(request, template, {"form": form, **page}, 422 if form.errors else 200)


def metres_per_unit(site: Site) -> Decimal:
    size = LENGTH_IN_M[site.length_unit]
    return Decimal(size.numerator) / Decimal(size.denominator)
