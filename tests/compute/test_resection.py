"""Free stations: a published example, an outside least squares, and the cases that are refused."""

from __future__ import annotations

import json
import math
import pickle
from pathlib import Path

import numpy as np
import pytest
from scipy.optimize import least_squares as outside_least_squares

from compute.traverse.adjust import Precision
from compute.traverse.angles import azimuth_between, turn
from compute.traverse.chain import Control
from compute.traverse.free_stations import most_likely_wrong
from compute.traverse.resection import (
    KnownSight,
    ResectionDangerCircle,
    ResectionNarrow,
    ResectionRefused,
    ResectionUndetermined,
    circle_distance,
    resect,
    sector_deg,
)
from compute.traverse.solve import TraverseRequest, solve_traverse
from tests.compute.field_crew import HEADER, PILE, YARD, free_set_up, line

REFERENCE = json.loads(
    (Path(__file__).parents[1] / "reference" / "resection.json").read_text(encoding="utf-8")
)
HERE = (1035.0, 2060.0, 50.4)
ZERO = 217.35


def sighted(points, here=HERE, zero=ZERO, rng=None, distances=True, seconds=5.0, metres=0.003):
    """What an instrument at `here` reads to `points`; directions have half of an angle's variance."""
    found = []
    for name, place in points.items():
        azimuth, distance = line(here, place)
        direction, up = azimuth - zero, place[2] - here[2]
        if rng is not None:
            direction += rng.normal() * seconds / math.sqrt(2) / 3600
            distance += rng.normal() * metres
            up += rng.normal() * metres
        found.append(
            KnownSight(
                name, place[0], place[1], place[2], turn(direction), distance if distances else None, up
            )
        )
    return tuple(found)


def dms(parts):
    return parts[0] + parts[1] / 60 + parts[2] / 3600


def test_published_three_points():
    item = REFERENCE["items"][0]
    angles = item["inputs"]["angles_at_P"]
    directions = {"A": 0.0, "B": dms(angles["APB_dms"])}
    directions["C"] = directions["B"] + dms(angles["BPC_dms"])
    points = item["inputs"]["points"]
    sights = tuple(KnownSight(n, p["N"], p["E"], None, directions[n]) for n, p in points.items())
    station = resect("P", sights)
    answer = item["published"]
    assert (station.easting, station.northing) == pytest.approx((answer["E"], answer["N"]), abs=5e-4)
    assert station.degrees_of_freedom == 0
    assert any("nothing checks" in words for words in station.cautions)
    assert station.orientation_deg == pytest.approx(
        azimuth_between(5300 - answer["N"], 1000 - answer["E"]), abs=1e-4
    )


@pytest.mark.parametrize("names", [("CP1", "CP3"), ("CP1", "CP2", "CP4"), tuple(YARD)])
@pytest.mark.parametrize("distances", [True, False])
def test_exact_sights_give_the_place_back(names, distances):
    if len(names) == 2 and not distances:
        return  # Refused, see below.
    station = resect("FS", sighted({n: YARD[n] for n in names}, distances=distances))
    assert (station.northing, station.easting) == pytest.approx(HERE[:2], abs=1e-6)
    assert station.elevation == pytest.approx(HERE[2], abs=1e-9)
    assert station.orientation_deg == pytest.approx(ZERO, abs=1e-7)
    assert [r.point for r in station.residuals] == list(names)


def test_agrees_with_an_outside_least_squares():
    """Place, covariance and variance factor beside scipy's general solver on the same weighted residuals."""
    precision = Precision(angle_seconds=5.0, distance_m=0.003, distance_ppm=0.0)
    sigma = math.radians(5.0 / 3600) / math.sqrt(2.0)
    for seed in range(20):
        sights = sighted(YARD, rng=np.random.default_rng(seed), distances=seed % 2 == 0)

        def off(x, sights=sights):
            parts = []
            for s in sights:
                north, east = s.northing - x[0], s.easting - x[1]
                turned = math.radians(s.direction_deg) - math.atan2(east, north) + x[2]
                parts.append(((turned + math.pi) % (2 * math.pi) - math.pi) / sigma)
                if s.distance is not None:
                    parts.append((s.distance - math.hypot(north, east)) / 0.003)
            return np.array(parts)

        found = outside_least_squares(
            off, [HERE[0] + 1, HERE[1] - 1, math.radians(ZERO)], xtol=1e-15, ftol=1e-15
        )
        station = resect("FS", sights, precision=precision)
        assert (station.northing, station.easting) == pytest.approx(tuple(found.x[:2]), abs=1e-6)
        assert station.variance_factor == pytest.approx(2 * found.cost / station.degrees_of_freedom, rel=1e-6)
        values = np.linalg.eigvalsh(np.linalg.inv(found.jac.T @ found.jac)[:2, :2])
        axes = (station.ellipse.semi_minor, station.ellipse.semi_major)
        assert axes == pytest.approx(tuple(np.sqrt(values)), rel=1e-4)


def test_the_ellipse_is_as_large_as_the_scatter():
    """500 seeded free stations: northings and easting scatter as the covariance says, within a tenth."""
    places = np.array(
        [
            (s.northing, s.easting)
            for s in (resect("FS", sighted(YARD, rng=np.random.default_rng(seed))) for seed in range(500))
        ]
    )
    ellipse = resect("FS", sighted(YARD)).ellipse
    found = np.sqrt(np.linalg.eigvalsh(np.cov(places.T)))
    assert found == pytest.approx([ellipse.semi_minor, ellipse.semi_major], rel=0.1)


def test_a_dropped_point_is_never_silent():
    points = dict(YARD)
    wrong = {**points, "CP4": (points["CP4"][0] + 0.08, points["CP4"][1], points["CP4"][2] + 0.05)}
    sights = sighted(points)
    moved = tuple(
        KnownSight(s.name, *wrong[s.name], s.direction_deg, s.distance, s.height_difference) for s in sights
    )
    all_in = resect("FS", moved)
    assert [r.point for r in all_in.residuals if r.used] == list(points)
    assert all_in.worst_plan > 0.01
    assert most_likely_wrong("FS", moved, 1.0, Precision()) == "CP4"
    assert most_likely_wrong("FS", moved[:3], 1.0, Precision()) is None
    assert all_in.height_spread == pytest.approx(0.05, abs=1e-9)
    without = resect("FS", moved, drop=("CP4",))
    assert without.dropped == ("CP4",)
    left_out = next(r for r in without.residuals if r.point == "CP4")
    assert not left_out.used
    assert left_out.plan == pytest.approx(0.08, abs=1e-6)
    assert left_out.height == pytest.approx(-0.05, abs=1e-9)
    assert (without.northing, without.easting) == pytest.approx(HERE[:2], abs=1e-6)


# --- refused -------------------------------------------------------------------------------------


def on_circle(degrees, radius=50.0):
    angle = math.radians(degrees)
    return 1000.0 + radius * math.cos(angle), 2000.0 + radius * math.sin(angle), 50.0


@pytest.mark.parametrize("off_m", [0.0, 0.1, 1.0])
def test_danger_circle_is_refused(off_m):
    points = {n: on_circle(d) for n, d in (("A", 20.0), ("B", 120.0), ("C", 250.0))}
    here = on_circle(310.0, 50.0 + off_m)
    with pytest.raises(ResectionDangerCircle) as refused:
        resect("FS", sighted(points, here, distances=False))
    assert "circle" in str(refused.value)
    assert pickle.loads(pickle.dumps(refused.value)).as_dict() == refused.value.as_dict()
    # With one distance the circle is no danger; well inside it directions are enough.
    assert resect("FS", sighted(points, here)).northing == pytest.approx(here[0], abs=1e-6)
    inside = resect("FS", sighted(points, (1000.0, 2005.0, 50.0), distances=False))
    assert (inside.northing, inside.easting) == pytest.approx((1000.0, 2005.0), abs=1e-6)


def test_distance_from_a_circle():
    points = [on_circle(d)[:2] for d in (10.0, 100.0, 220.0)]
    assert circle_distance(points, (1000.0, 2000.0)) == pytest.approx(-50.0)
    assert circle_distance([(0.0, 0.0), (1.0, 1.0), (2.0, 2.0)], (5.0, 0.0)) is None


@pytest.mark.parametrize(
    ("names", "distances", "kind"),
    [
        (("CP1",), True, ResectionUndetermined),
        ((), True, ResectionUndetermined),
        (("CP1", "CP3"), False, ResectionUndetermined),
    ],
)
def test_too_little_is_refused(names, distances, kind):
    with pytest.raises(kind):
        resect("FS", sighted({n: YARD[n] for n in names}, distances=distances))


def test_dropping_down_to_too_little_is_refused():
    with pytest.raises(ResectionUndetermined):
        resect("FS", sighted({n: YARD[n] for n in ("CP1", "CP2")}), drop=("CP1",))


def test_narrow_sector_is_refused():
    far = (1200.0, 1800.0, 50.0)
    sights = sighted({n: YARD[n] for n in ("CP3", "CP4")}, far)
    assert sector_deg(tuple(s.direction_deg for s in sights)) < 30.0
    with pytest.raises(ResectionNarrow):
        resect("FS", sights)
    assert issubclass(ResectionNarrow, ResectionRefused)


def test_sector_over_north():
    assert sector_deg((350.0, 10.0, 0.0)) == pytest.approx(20.0)
    assert sector_deg((0.0, 180.0)) == pytest.approx(180.0)
    assert sector_deg((0.0, 120.0, 240.0)) == pytest.approx(240.0)


# --- in a book -----------------------------------------------------------------------------------

KNOWN = Control({n: YARD[n] for n in ("CP1", "CP3", "CP4")})


def solved(text, control=KNOWN):
    return solve_traverse(TraverseRequest(text.encode(), "free.csv", control))


def test_a_book_of_one_free_station():
    result = solved(HEADER + "\n" + free_set_up("1", "FS", HERE, ("CP1", "CP3", "CP4"), PILE))
    (station,) = result.free_stations
    assert (station.northing, station.easting, station.elevation) == pytest.approx(HERE, abs=2e-4)
    shots = {s.point: s.place for s in result.shots}
    assert shots.keys() == PILE.keys()
    for name, place in PILE.items():
        assert shots[name] == pytest.approx(place, abs=3e-4)
    codes = {f["code"] for f in result.record["findings"]}
    assert "free-station" in codes
    assert "open-leg" not in codes
    assert result.record["stations"][0]["name"] == "FS"


def test_a_free_station_hung_on_an_adjusted_traverse():
    from tests.compute.field_crew import field_book

    text = field_book(shots={}) + free_set_up("9", "FS", HERE, ("CP2", "CP5", "CP4"), PILE)
    control = Control({"CP1": YARD["CP1"]}, {("CP1", "CP2"): line(YARD["CP1"], YARD["CP2"])[0]})
    result = solved(text, control)
    (station,) = result.free_stations
    assert (station.northing, station.easting) == pytest.approx(HERE[:2], abs=5e-4)
    for shot in result.shots:
        assert shot.place == pytest.approx(PILE[shot.point], abs=1e-3)


def test_a_moved_mark_shows_at_the_free_station():
    moved = Control({**YARD, "CP4": (YARD["CP4"][0] + 0.06, *YARD["CP4"][1:])})
    text = HEADER + "\n" + free_set_up("1", "FS", HERE, tuple(YARD), PILE)
    off = next(f for f in solved(text, moved).record["findings"] if f["code"] == "free-station-off")
    assert off["severity"] == "warn"
    assert "Without CP4 the others fit best" in off["message"]


def test_a_free_set_up_in_a_bad_place_is_refused_by_name():
    text = HEADER + "\n" + free_set_up("1", "FS", (1300.0, 1500.0, 50.0), ("CP1", "CP3", "CP4"), {})
    with pytest.raises(ResectionNarrow) as refused:
        solved(text)
    assert "FS" in refused.value.where
