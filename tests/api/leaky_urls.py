"""The service's own addresses, and three that were planted to let things through."""

from __future__ import annotations

from typing import Any

from django.http import HttpRequest, HttpResponse
from django.urls import include, path

from inventory.models import Pile
from surveys.models import Measurement


def tells_one(request: HttpRequest, measurement_id: int) -> HttpResponse:
    return HttpResponse(Measurement.objects.get(pk=measurement_id).digest)


def tells_all(request: HttpRequest) -> HttpResponse:
    return HttpResponse("\n".join(Pile.objects.values_list("name", flat=True)))


def changes_one(request: HttpRequest, pile_id: int) -> HttpResponse:
    if request.method == "POST":
        Pile.objects.filter(pk=pile_id).update(name="Taken over")
    return HttpResponse(status=404)


def answers_without_telling(request: HttpRequest, survey_id: Any) -> HttpResponse:
    return HttpResponse("yes")


PLANTED = [
    path("planted/one/<int:measurement_id>/", tells_one),
    path("planted/all/", tells_all),
    path("planted/change/<int:pile_id>/", changes_one),
    path("planted/exists/<int:survey_id>/", answers_without_telling),
]

urlpatterns = [*PLANTED, path("", include("config.urls"))]
