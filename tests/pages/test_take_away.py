"""What a measurement page offers to take away comes in the form it names."""

from __future__ import annotations

import json
import re
from collections.abc import Callable
from typing import Any

import pytest
from django.test import Client
from django.urls import reverse

from tests.surveys.scene import Yard, frustum_m3

pytestmark = pytest.mark.django_db


def files_of(browser: Client, address: str) -> dict[str, bytes]:
    page = browser.get(address).content.decode()
    links = re.findall(r'href="([^"]+/export/([^"]+))"', page)
    return {name: b"".join(browser.get(link)) for link, name in links}


def test_surface_vertices_and_contours_are_offered(yard: Yard, as_: Callable[[Any], Client]) -> None:
    measured = yard.computed()
    files = files_of(as_(yard.surveyor), reverse("measurement", args=[measured.pk]))
    assert sorted(files) == ["contours.geojson", "surface.ply", "vertices.csv"]
    assert files["surface.ply"].startswith(b"ply\n")
    contours = json.loads(files["contours.geojson"])
    assert contours["features"]
    # Shots of the frustum on its toe, its crest and its top; what is exported is what was measured.
    assert files["vertices.csv"].decode().strip().count("\n") == 13
    assert float(measured.net_m3) == pytest.approx(frustum_m3(5.0), abs=0.001)


def test_who_may_not_export_is_offered_nothing(yard: Yard, as_: Callable[[Any], Client]) -> None:
    measured = yard.computed()
    page = as_(yard.company.administrator).get(reverse("measurement", args=[measured.pk]))
    assert page.status_code == 200
    assert "/export/" not in page.content.decode()
