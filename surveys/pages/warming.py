"""Loads every loop that a page draws with, so that the first person who asks for a change does not wait."""

from __future__ import annotations

import io

import numpy as np

from compute.change import change_between, dated_from
from compute.uncertainty import model_for
from compute.warming import warm_up
from surveys import computing
from surveys.pages.figures import SI
from surveys.pages.geometry import change_drawing, longest_cut, section_of


def warm_pages() -> None:
    """Measure a small heap and draw its section and its change, from arrays as the store gives them."""
    measured = warm_up()
    with np.load(io.BytesIO(computing.packed(measured.geometry)), allow_pickle=False) as kept:
        arrays = {name: kept[name] for name in kept.files}
    side = dated_from(arrays, model_for("total-station"))
    change = change_between(side, side)
    change_drawing(arrays, arrays, change.band_m, SI, "")
    section_of(arrays, longest_cut(arrays), SI, arrays)
