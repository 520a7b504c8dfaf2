"""Drawings are true to scale, well formed, and carry neither style nor script.

Held against plane geometry: the part of a pyramid or cone above the level h·k has (1 − k)² of its plan area.
"""

from __future__ import annotations

import math
import re
from xml.etree import ElementTree

import numpy as np
import pytest
import shapely
from scipy.spatial import Delaunay

from surveys.drawings import bands, palette, svg
from surveys.drawings.changemap import ChangeSheet, change_map
from surveys.drawings.plan import MARKS, PlanSheet, PlanShots, plan
from surveys.drawings.section import Ruler, section
from surveys.drawings.silhouette import ListScale, Profile, silhouette
from surveys.drawings.siteplan import Outline, SiteSheet, site_plan

PYRAMID = np.array([[0, 0, 100], [40, 0, 100], [40, 40, 100], [0, 40, 100], [20, 20, 110]], dtype=float)
FACES = np.array([[0, 1, 4], [1, 2, 4], [2, 3, 4], [3, 0, 4]])
RING = PYRAMID[:4, :2]


def ridge(length_m: float, height_m: float) -> Profile:
    run = height_m / 0.7
    distance = [0.0, run, length_m - run, length_m]
    return Profile.of(distance, [10, 10 + height_m, 10 + height_m, 10], [10, 10, 10, 10])


def path_points(drawing: str, class_: str) -> np.ndarray:
    data = re.search(rf'd="([^"]+)" class="{class_}"', drawing)
    assert data is not None, f"no path of class {class_}"
    return np.array([[float(v) for v in pair.split()] for pair in re.findall(r"-?[\d.]+ -?[\d.]+", data[1])])


def checked(drawing: str) -> ElementTree.Element:
    root = ElementTree.fromstring(drawing)
    for element in root.iter():
        assert not element.tag.endswith(("style", "script"))
        assert not [name for name in element.attrib if name == "style" or name.startswith("on")]
    # A drawing with links in it is a group: within an image nobody could reach them.
    has_links = any(element.tag.endswith("}a") for element in root.iter())
    assert root.attrib["role"] == ("group" if has_links else "img")
    assert root.attrib["aria-label"]
    return root


@pytest.mark.parametrize("share", [0.1, 0.25, 0.5, 0.9])
def test_region_above_a_level(share: float) -> None:
    region = bands.region_above(PYRAMID, FACES, 100 + 10 * share)
    assert region.area == pytest.approx(1600 * (1 - share) ** 2, rel=1e-6)
    assert region.geom_type == "Polygon"


def test_region_above_survives_vertices_at_the_level() -> None:
    steps = PYRAMID.copy()
    steps[4, 2] = 100.0
    assert bands.region_above(steps, FACES, 100.0).is_empty
    assert bands.region_above(PYRAMID, FACES, 100.0).area == pytest.approx(1600, rel=1e-6)


def test_regions_of_rough_ground_join_without_slivers() -> None:
    rng = np.random.default_rng(7)
    xy = rng.uniform(0, 50, (400, 2))
    vertices = np.column_stack([xy, np.round(5 * np.sin(xy[:, 0] / 7) + 4 * np.cos(xy[:, 1] / 9), 1)])
    triangles = Delaunay(xy).simplices
    for level in (-4.0, 0.0, 2.5, 5.0):
        region = bands.region_above(vertices, triangles, level)
        assert region.is_valid
        corners = vertices[triangles]
        inside = [
            shapely.Polygon(corner[:, :2]).area for corner in corners if (corner[:, 2] > level + 1e-6).all()
        ]
        below = [shapely.Polygon(corner[:, :2]).area for corner in corners if (corner[:, 2] < level).all()]
        assert (
            math.fsum(inside)
            <= region.area
            <= shapely.MultiPoint(xy).convex_hull.area - math.fsum(below) + 1e-6
        )


def test_contour_is_where_the_surface_has_that_height() -> None:
    (line,) = bands.contour_lines(PYRAMID, FACES, 105.0)
    assert len(line) == 5
    assert np.allclose(sorted({tuple(p) for p in line.round(9)}), [(10, 10), (10, 30), (30, 10), (30, 30)])


def test_levels_are_round_in_the_site_unit() -> None:
    step, levels = bands.contour_levels(100.0, 110.0, 0.3048)
    feet = np.array(levels) / 0.3048
    assert step / 0.3048 == pytest.approx(5)
    assert np.allclose(feet % 5, 0, atol=1e-9) or np.allclose(feet % 5, 5, atol=1e-9)


def test_silhouettes_of_a_list_share_one_scale() -> None:
    large, small = ridge(90, 11), ridge(30, 6)
    scale = ListScale.over([large, small], 300)
    tops = [path_points(silhouette(each, scale, name="a"), "heap-top") for each in (large, small)]
    widths, heights = [np.ptp(top[:, 0]) for top in tops], [np.ptp(top[:, 1]) for top in tops]
    assert widths[0] / widths[1] == pytest.approx(90 / 30, rel=1e-3)
    assert heights[0] / heights[1] == pytest.approx(11 / 6, rel=1e-2)
    assert widths[0] == pytest.approx(300 - 8, abs=0.1)
    assert widths[0] / 90 == pytest.approx(heights[0] / 11, rel=1e-3)


def test_silhouette_draws_the_survey_before_behind() -> None:
    scale = ListScale.over([ridge(60, 8)], 200)
    drawn = silhouette(ridge(60, 8), scale, previous=ridge(60, 6), name="Pile & co")
    root = checked(drawn)
    classes = [element.attrib.get("class") for element in root]
    assert classes.index("heap-before") < classes.index("heap-body")
    assert root.attrib["aria-label"] == "Pile & co"


def test_silhouette_without_a_surface_is_a_dashed_line() -> None:
    nothing = Profile.of([0, 1], [None, None], [None, None])
    assert "heap-none" in silhouette(nothing, ListScale.over([ridge(60, 8)], 200), name="a")


def test_profile_from_two_outlines_is_straight_between_its_points() -> None:
    profile = Profile.of_outlines([[0, 10], [10, 20], [20, 10]], [[0, 10], [20, 12]])
    assert profile.distance_m.tolist() == [0, 10, 20]
    assert profile.base_m.tolist() == [10, 11, 12]
    assert profile.height_m == 10


def test_profile_from_pieces_keeps_its_gaps() -> None:
    profile = Profile.of_pieces([[[0, 1], [2, 1]], [[6, 3], [8, 3]]], [[[0, 0], [8, 0]]], 10.0)
    assert np.isnan(profile.top_m[-1])
    assert profile.length_m == 10
    assert np.nansum(profile.base_m) == 0


def test_plan_is_to_scale_and_says_where_a_click_is() -> None:
    shots = PlanShots(np.repeat(RING[:1], len(MARKS), axis=0) + 2000, tuple(MARKS))
    vertices = PYRAMID + np.array([2000, 2000, 0])
    drawn = plan(PlanSheet(vertices, FACES, RING + 2000, shots, "base v1"), name="Plan of a pyramid")
    root = checked(drawn)
    edge = path_points(drawn, "edge")
    place = {name: float(root.attrib[f"data-{name}"]) for name in ("x-min", "y-max", "scale", "left", "top")}
    back = np.column_stack(
        [
            place["x-min"] + (edge[:, 0] - place["left"]) / place["scale"],
            place["y-max"] - (edge[:, 1] - place["top"]) / place["scale"],
        ]
    )
    assert np.allclose(back, RING + 2000, atol=0.01)
    assert np.ptp(edge[:, 0]) == pytest.approx(np.ptp(edge[:, 1]))
    assert "contours every 1 m · base: base v1" in drawn
    for role in MARKS:
        assert f"shot-{role}" in drawn


def test_scale_bar_is_as_long_as_it_says() -> None:
    for scale, unit_m in ((4.0, 1.0), (7.3, 0.3048), (0.37, 1.0)):
        bar = svg.scale_bar(0, 0, scale, 190, unit_m, "u")
        length = float(re.findall(r">([\d.,]+) u<", bar)[0].replace(",", ""))
        drawn = float(re.search(r'd="M0 0h([\d.]+)" class="bar-line"', bar)[1])
        assert drawn == pytest.approx(length * unit_m * scale, abs=0.01)
        assert 60 < drawn <= 190.2


def test_section_marks_what_lies_below_the_base_apart() -> None:
    profile = Profile.of([0, 10, 20, 30], [5, 9, 5, 1], [4, 4, 4, 4])
    drawn = section(profile, name="Section")
    checked(drawn)
    above, below = path_points(drawn, "section-above"), path_points(drawn, "section-below")
    # The top meets the base at distance 22.5: (5 − 4) / (5 − 1) of the way from 20 to 30.
    per_m = (860.0 - 58 - 20) / 30
    assert above[:, 0].max() == pytest.approx(58 + 22.5 * per_m, abs=0.02)
    assert below[:, 0].min() == pytest.approx(58 + 22.5 * per_m, abs=0.02)


def test_section_says_when_heights_are_larger() -> None:
    flat = Profile.of([0, 100], [1.0, 1.5], [0.5, 0.5])
    assert "heights drawn" in section(flat, name="Section")
    assert "one scale" in section(ridge(40, 8), name="Section")
    assert ", ft<" in section(ridge(40, 8), ruler=Ruler(0.3048, "ft"), name="Section")


def test_section_through_nothing_is_refused() -> None:
    with pytest.raises(ValueError, match="surface"):
        section(Profile.of([0, 1], [None, None], [None, None]), name="Section")


def test_site_plan_links_every_pile_and_escapes_what_people_wrote() -> None:
    outlines = [Outline("A<1>", RING, "12 t", "/sites/A/"), Outline("B", RING + 60, "", "/b/", "unmeasured")]
    drawn = site_plan(SiteSheet(outlines, {"CP1": (5.0, 70.0)}, RING), name="Yard & co")
    root = checked(drawn)
    links = [element.attrib["href"] for element in root.iter() if element.tag.endswith("}a")]
    assert links == ["/sites/A/", "/b/"]
    assert "A&lt;1&gt;" in drawn
    assert "visit-shots" in drawn


def test_change_map_is_grey_within_the_band() -> None:
    easts, norths = np.linspace(0, 40, 41), np.linspace(0, 40, 41)
    rise = np.tile(np.where(easts < 20, 0.02, 0.5), (41, 1))
    drawn = change_map(ChangeSheet(easts, norths, rise, 0.1, RING, RING), name="Change")
    checked(drawn)
    assert palette.NO_CHANGE in drawn
    assert palette.ADDED[0] in drawn
    fills = drawn[: drawn.index('class="key"')]
    assert not [colour for colour in palette.REMOVED if f'fill="{colour}"' in fills]


def luminance(colour: str) -> float:
    channels = (int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5))
    r, g, b = (c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in channels)
    return 0.2126 * r + 0.7152 * g + 0.0722 * b


def test_the_height_scale_grows_lighter_all_the_way() -> None:
    shades = [luminance(palette.height_colour(share)) for share in np.linspace(0, 1, 50)]
    assert (np.diff(shades) > 0).all()


@pytest.mark.parametrize(
    ("span", "wanted", "step"), [(10, 5, 2), (100, 8, 20), (0.9, 5, 0.2), (47, 1, 50), (0, 3, 1)]
)
def test_nice_steps(span: float, wanted: int, step: float) -> None:
    assert svg.nice_step(span, wanted) == pytest.approx(step)
