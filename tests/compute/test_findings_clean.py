"""Ordinary piles, well shot, have nothing to settle: a false alarm costs as much as a miss."""

from __future__ import annotations

import ast
from pathlib import Path

import numpy as np
import pytest

import compute.findings
from compute.building import BaseChoice
from compute.findings import FINDERS, catalogue, find_all
from tests.compute.crew import EASTING_M, NORTHING_M, Pile, case_of, crew_shots, level_pad, sloping_pad, told
from tests.compute.toe_zoo import OUTLINES

SITE = np.array([EASTING_M, NORTHING_M])
PILES = [
    (name, spacing, height) for name in sorted(OUTLINES) for spacing in (2.0, 4.0) for height in (3.0, 8.0)
]


@pytest.mark.parametrize(("name", "spacing_m", "height_m"), PILES)
def test_well_shot_piles_are_silent(name, spacing_m, height_m):
    outline, _ = OUTLINES[name]()
    ways = [
        (level_pad, BaseChoice("toe")),
        (sloping_pad(0.03), BaseChoice("plane")),
        (level_pad, BaseChoice("level", level_m=100.0)),
    ]
    for seed, (pad, base) in enumerate(ways):
        pile = Pile(outline, height_m=height_m, pad=pad)
        rows = crew_shots(pile, spacing_m, seed, crest=seed != 1)
        assert told(find_all(case_of(rows, base, outline=outline + SITE))) == []


@pytest.mark.parametrize("spacing_m", [1.5, 2.0, 3.0, 5.0])
def test_cones_with_and_without_a_shot_on_the_apex_are_silent(spacing_m):
    angle = np.linspace(0, 2 * np.pi, 120, endpoint=False)
    cone = Pile(np.column_stack([20 * np.cos(angle), 20 * np.sin(angle)]), height_m=100.0)
    apex = (0.0, 0.0, 100 + 20 * np.tan(np.radians(36)), "SPT")
    for seed in range(3):
        rows = crew_shots(cone, spacing_m, seed)
        assert told(find_all(case_of(rows))) == []
        assert told(find_all(case_of([*rows, apex]))) == []


def test_a_dense_noisy_cloud_is_silent_but_for_its_doubles():
    """A scan: two centimetres of noise, less than twenty between points; neither steep nor in conflict."""
    rng = np.random.default_rng(5)
    outline, _ = OUTLINES["ridge"]()
    xy = np.column_stack([rng.uniform(-38, 38, 60_000), rng.uniform(-18, 18, 60_000)])
    z = Pile(outline).heights(xy) + rng.normal(0, 0.02, len(xy))
    rows = [(x, y, h, "SPT") for (x, y), h in zip(xy.tolist(), z.tolist(), strict=True)]
    case = case_of(rows, BaseChoice("level", level_m=100.0), edge=outline + SITE)
    assert set(told(find_all(case))) <= {("duplicate-shots", "note")}


def test_small_models_are_judged_by_their_own_size():
    """A model in a sandbox, three hundred times smaller: its shots are centimetres apart and no doubles."""
    outline, _ = OUTLINES["ridge"]()
    rows = [
        (x / 300, y / 300, 100 + (z - 100) / 300, code)
        for x, y, z, code in crew_shots(Pile(outline), 4.0, 1, noise_m=0.005)
    ]
    assert told(find_all(case_of(rows))) == []


# --- the catalogue -------------------------------------------------------------------------------


def test_the_catalogue_lists_every_entry_of_the_package_once():
    entries = catalogue()
    assert len(set(entries)) == len(entries)
    assert {entry.severity for entry in entries} <= {"stop", "warn", "note"}
    assert [entry.code for entry in entries] == sorted(entry.code for entry in entries)
    declared = set()
    for path in Path(compute.findings.__file__).parent.glob("*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Call) and getattr(node.func, "id", "") == "Entry":
                declared.add((ast.literal_eval(node.args[0]), ast.literal_eval(node.args[1])))
    assert declared == {(entry.code, entry.severity) for entry in entries}


def test_every_finder_declares_what_it_tells_and_has_a_docstring():
    for finder in FINDERS:
        assert finder.entries
        assert finder.__doc__
