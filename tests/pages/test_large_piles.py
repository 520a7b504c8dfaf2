"""A pile of very many points opens from a thinned surface that says so; its figures are from all of it."""

from __future__ import annotations

import json
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from django.urls import reverse

from compute.surface import heights_at, indexed
from surveys import computing, storage, thinned
from surveys.errors import EvidenceMissing
from surveys.models import Measurement
from surveys.pages.figures import Units
from surveys.pages.geometry import thinned_words
from tests.surveys.scene import CREST_M, DAY, HEADER, SIDE_M, Yard, frustum_m3, frustum_rows

pytestmark = pytest.mark.django_db

Doors = Callable[[Any], Any]


def cloud(count: int, height_m: float = 5.0) -> bytes:
    """The frustum of `heap` from a scanner: `count` points more on its faces, within 4 mm of them."""
    rng = np.random.default_rng(7)
    x, y = rng.uniform(0.1, SIDE_M - 0.1, (2, count))
    inside = np.minimum.reduce([x, y, SIDE_M - x, SIDE_M - y])
    z = (
        100
        + height_m * np.minimum(1.0, inside / ((SIDE_M - CREST_M) / 2))
        + rng.uniform(-0.004, 0.004, count)
    )
    points = (f"s{n},{a:.4f},{b:.4f},{c:.4f},SPT" for n, (a, b, c) in enumerate(zip(y, x, z, strict=True)))
    return "\n".join([HEADER, *frustum_rows(height_m=height_m), *points, ""]).encode()


def kept_at(measurement: Measurement) -> str:
    return thinned.path_of(measurement.geometry_path)


@pytest.fixture
def few(monkeypatch: pytest.MonkeyPatch) -> int:
    """A budget that a pile of a thousand points exceeds."""
    monkeypatch.setattr(thinned, "BUDGET", 200)
    return 200


@pytest.fixture
def lost(monkeypatch: pytest.MonkeyPatch) -> Callable[[], None]:
    """From the call on, whoever asks for the full geometry is refused."""

    def refuse(measurement: Measurement) -> Any:
        raise EvidenceMissing("asked for", where=str(measurement))

    return lambda: monkeypatch.setattr(computing, "geometry_of", refuse)


def test_three_hundred_thousand_points(yard: Yard, as_: Doors, lost: Callable[[], None]) -> None:
    measurement = yard.computed(cloud(300_000))
    full = computing.geometry_of(measurement)
    assert len(full["top_vertices"]) > 300_000
    assert float(measurement.net_m3) == pytest.approx(frustum_m3(5.0), rel=2e-4)

    lost()
    answer = as_(yard.lead).get(reverse("surfaces", args=[measurement.pk]))
    solid = json.loads(answer.content)
    assert 0.9 * thinned.BUDGET < len(solid["top"]["x"]) <= thinned.BUDGET
    assert "of 300,013 points thinned to" in solid["words"]

    thin = computing.drawn_of(measurement)
    said = thinned.thinning_of(thin)
    assert said is not None
    soup = thin["top_vertices"][thin["top_triangles"]]
    off = np.abs(heights_at(indexed(soup), full["top_vertices"][:, :2]) - full["top_vertices"][:, 2])
    assert np.nanmax(off) <= said.largest_deviation_m + 1e-9
    assert said.largest_deviation_m < 0.02
    assert np.array_equal(thin["edge"], full["edge"])
    for page in ("measurement", "thickness"):
        shown = as_(yard.lead).get(reverse(page, args=[measurement.pk]))
        assert "The volume is from all of it." in shown.content.decode()


def test_a_compressed_answer(yard: Yard, as_: Doors) -> None:
    measurement = yard.computed()
    answer = as_(yard.lead).get(
        reverse("surfaces", args=[measurement.pk]), headers={"Accept-Encoding": "gzip"}
    )
    assert answer["Content-Encoding"] == "gzip"


def test_a_small_pile_is_drawn_as_measured(yard: Yard, as_: Doors) -> None:
    measurement = yard.approved()
    page = as_(yard.lead).get(reverse("pile", args=[yard.site.code, yard.pile.code]))
    assert "thinned" not in page.content.decode()
    solid = as_(yard.lead).get(reverse("surfaces", args=[measurement.pk])).json()
    assert solid["words"] == ""
    assert not storage.store().exists(kept_at(measurement))


@pytest.mark.usefixtures("few")
def test_the_change_is_of_the_full_surfaces(yard: Yard, as_: Doors, monkeypatch: pytest.MonkeyPatch) -> None:
    yard.approved(cloud(1_000), DAY.replace(day=1))
    yard.approved(cloud(1_000, 6.0))
    asked: list[int] = []
    full = computing.geometry_of

    def asked_for(m: Measurement) -> Any:
        asked.append(m.pk)
        return full(m)

    monkeypatch.setattr(computing, "geometry_of", asked_for)
    door = as_(yard.lead)
    page = door.get(reverse("pile", args=[yard.site.code, yard.pile.code]))
    assert page.content.decode().count("The volume is from all of it.") == 2
    assert asked == []
    change = door.get(reverse("pile-change", args=[yard.site.code, yard.pile.code]))
    assert "The volume is from all of it." in change.content.decode()
    assert len(asked) == 2
    gained = frustum_m3(6.0) - frustum_m3(5.0)
    assert change.context["change"]["net_m3"] == pytest.approx(gained, rel=0.02)


@pytest.mark.usefixtures("few")
@pytest.mark.parametrize("harm", ["gone", "damaged"])
def test_what_was_kept_may_go(yard: Yard, harm: str) -> None:
    measurement = yard.computed(cloud(1_000))
    before = computing.drawn_of(measurement)
    path = storage.local_path(kept_at(measurement))
    assert path is not None
    assert path.exists()
    if harm == "gone":
        path.unlink()
    else:
        path.chmod(0o640)
        data = bytearray(path.read_bytes())
        data[-200] ^= 1
        path.write_bytes(data)
    after = computing.drawn_of(measurement)
    assert before.keys() == after.keys()
    assert all(np.array_equal(before[name], after[name]) for name in before)
    assert thinned.found(measurement.geometry_path) is not None


def test_heights_are_those_of_shots(yard: Yard, few: int) -> None:
    """Vertices of the thinned surface are measured ones: nothing is smoothed."""
    measurement = yard.computed(cloud(1_000))
    full = {tuple(place) for place in computing.geometry_of(measurement)["top_vertices"].tolist()}
    drawn = computing.drawn_of(measurement)["top_vertices"].tolist()
    assert len(drawn) <= few < len(full)
    assert {tuple(place) for place in drawn} <= full


def test_the_words_never_understate() -> None:
    words = thinned_words(Units(length="foot"), {"thinning": np.array([2_000_000, 20_000, 0.00313])})
    # 0.00313 m are 0.01027 ft: rounded up.
    assert "nowhere more than 0.02\u00a0ft" in words
