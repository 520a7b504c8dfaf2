"""Maps drawn on request: thickness, base against base, sections with a chosen earlier survey.

Volumes are held against closed forms: a frustum has h/3 · (A₁ + A₂ + √(A₁A₂)), a slab area times height.
"""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from django.test import Client
from django.urls import reverse

from compute.change import change_between, dated_from
from compute.records import UncertaintyModel
from surveys import computing
from surveys.drawings import thickness
from surveys.drawings.bands import region_above
from surveys.drawings.changemap import mesh
from surveys.drawings.palette import HEIGHTS
from surveys.drawings.section import Ruler
from surveys.drawings.thickness import ThicknessSheet, thickness_map
from surveys.models import Measurement
from surveys.pages.geometry import base_sheet, change_sheet, thickness_sheet
from tests.pages.test_drawings import checked
from tests.surveys.scene import Yard, frustum_m3, heap

NEXT = dt.date(2025, 7, 31)


def sum_of(sheet: Any, values: np.ndarray) -> float:
    """Volume of a map by its grid: nodes times cell."""
    cell = float(np.diff(sheet.easts_m)[0] * np.diff(sheet.norths_m)[0])
    return float(np.nansum(values) * cell)


def sides(*measurements: Measurement) -> tuple[list[Any], list[Any]]:
    arrays = [computing.geometry_of(m) for m in measurements]
    dated = [
        dated_from(kept, UncertaintyModel(**m.request["model"]))
        for kept, m in zip(arrays, measurements, strict=True)
    ]
    return arrays, dated


def test_the_map_of_change_shows_the_exact_volumes(yard: Yard) -> None:
    """What the map's own grid adds up to is what the exact overlay gives, within the grid's coarseness."""
    first, second = yard.approved(), yard.approved(heap(6.0), day=NEXT)
    arrays, dated = sides(first, second)
    change = change_between(*dated)
    assert change.net_m3 == pytest.approx(frustum_m3(6.0) - frustum_m3(5.0), rel=1e-9)
    sheet = change_sheet(*arrays, change.band_m)
    added = sum_of(sheet, np.maximum(sheet.change_m, 0.0))
    assert added == pytest.approx(change.added_m3, rel=0.01)
    proven = region_above(*mesh(sheet.easts_m, sheet.norths_m, sheet.change_m), change.band_m)
    assert 1600.0 - proven.area == pytest.approx(change.band_area_m2, rel=0.01), "what the map leaves grey"


def test_the_map_of_thickness_holds_the_volume(yard: Yard) -> None:
    measurement = yard.approved()
    sheet = thickness_sheet(computing.geometry_of(measurement))
    assert sum_of(sheet, sheet.thick_m) == pytest.approx(frustum_m3(5.0), rel=0.01)


def test_thickness_is_shaded_by_round_steps_and_the_part_below_is_told() -> None:
    along = np.linspace(0.0, 40.0, 81)
    thick = np.tile(along / 10.0 - 1.0, (81, 1))
    ring = np.array([[0, 0], [40, 0], [40, 40], [0, 40]], dtype=float)
    drawn = thickness_map(ThicknessSheet(along, along, thick, ring), name="Thickness")
    checked(drawn)
    assert thickness.levels_of(ThicknessSheet(along, along, thick, ring), Ruler()) == pytest.approx(
        [0.0, 0.5, 1.0, 1.5, 2.0, 2.5, 3.0]
    )
    assert f'fill="{thickness.BELOW}"' in drawn
    assert "under the base" in drawn
    above = thickness_map(ThicknessSheet(along, along, thick + 1.0, ring), name="Thickness")
    fills = above[: above.index('class="key"')]
    assert f'fill="{thickness.BELOW}"' not in fills, "a pile that stands on its base is nowhere under it"
    assert HEIGHTS[0] not in drawn, "shades are taken from within the scale"
    feet = thickness.levels_of(ThicknessSheet(along, along, thick, ring), Ruler(0.3048, "ft"))
    assert np.allclose(np.array(feet) / 0.3048 % 2.0, 0.0)


def test_the_thickness_of_a_pile_is_drawn(yard: Yard, as_: Callable[[Any], Client]) -> None:
    shown = as_(yard.lead).get(reverse("thickness", args=[yard.approved().pk])).content.decode()
    assert "thickness-map" in shown
    assert frustum_m3(5.0) == pytest.approx(4666.7, abs=0.1)
    assert "4,667" in shown.replace("4,670", "4,667"), "rounded as the ± supports"


def test_two_bases_are_compared(yard: Yard, as_: Callable[[Any], Client]) -> None:
    """A level floor 0.25 m over the toe's level, under 1,600 m² of pile: 400 m³ less stock."""
    first = yard.approved()
    yard.company.base(yard.pile, kind="level", level_m="100.25", valid_from=NEXT, reason="floor raised")
    second = yard.approved(heap(5.0), day=NEXT)
    assert second.base_version.version == first.base_version.version + 1
    address = reverse("base-change", args=[yard.site.code, yard.pile.code])
    shown = as_(yard.lead).get(address).content.decode()
    assert "Base v2 over v1" in shown
    assert re.search(r"Raised</th><td class=\"n\">\+400<", shown)
    assert re.search(r"Lowered</th><td class=\"n\">0<", shown)
    assert "raised" in shown
    arrays, _ = sides(first, second)
    sheet = base_sheet(*arrays, 0.05)
    assert np.nanmean(sheet.change_m) == pytest.approx(0.25, abs=1e-9)
    same = as_(yard.lead).get(address, {"from": "2", "to": "2"}).content.decode()
    assert "Two bases" in same


def test_one_base_alone_is_said(yard: Yard, as_: Callable[[Any], Client]) -> None:
    yard.approved()
    shown = as_(yard.lead).get(reverse("base-change", args=[yard.site.code, yard.pile.code]))
    assert "Two bases that surveys were measured against" in shown.content.decode()


def test_a_section_shows_the_earlier_survey_that_was_chosen(yard: Yard, as_: Callable[[Any], Client]) -> None:
    oldest = yard.approved(day=dt.date(2025, 5, 30))
    yard.approved(heap(5.5))
    latest = yard.approved(heap(6.0), day=NEXT)
    ends = {"e1": "-2", "n1": "20", "e2": "42", "n2": "20"}
    page, address = as_(yard.lead), reverse("section", args=[latest.pk])
    assert "the survey of 30 Jun 2025" in page.get(address, ends).content.decode().replace("\u00a0", " ")
    chosen = page.get(address, ends | {"before": str(oldest.pk)}).content.decode().replace("\u00a0", " ")
    assert "the survey of 30 May 2025" in chosen
    assert chosen.count("section-before") == 1
    whole = page.get(reverse("pile", args=[yard.site.code, yard.pile.code])).content.decode()
    assert f'<option value="{oldest.pk}">' in whole.split('id="before"')[1]
