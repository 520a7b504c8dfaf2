"""Plan, section and map of change of the zoo stay as they are until somebody looks and keeps them again."""

from __future__ import annotations

import hashlib

import pytest

from tests.compute.gridded_zoo import SHAPES
from tests.pages import renderings


@pytest.mark.parametrize("name", SHAPES)
def test_the_drawings_of_a_shape_are_the_ones_last_looked_at(name: str) -> None:
    wanted = renderings.kept()[name]
    drawn = renderings.drawings(name)
    assert drawn.keys() == wanted.keys()
    other = [what for what, svg in drawn.items() if hashlib.sha256(svg.encode()).hexdigest() != wanted[what]]
    assert not other, (
        f"{name}: {', '.join(other)} changed. Run `python -m tests.pages.renderings FOLDER`, look, keep."
    )


def test_a_hair_of_a_change_is_noticed() -> None:
    """Five millimetres of height, or a hundredth of a sheet unit: another drawing."""
    (name, *_) = SHAPES
    svg = renderings.drawings(name)["plan"]
    assert hashlib.sha256(svg.encode()).hexdigest() == renderings.kept()[name]["plan"]
    nudged = svg.replace(".5", ".51", 1)
    assert hashlib.sha256(nudged.encode()).hexdigest() != renderings.kept()[name]["plan"]


def test_every_shape_is_kept() -> None:
    assert renderings.kept().keys() == SHAPES.keys()
