"""Field books through the doors: received, reduced, corrected in versions, accepted, measured."""

from __future__ import annotations

import pytest

from surveys import fieldbooks, measuring
from tests.surveys.book_scene import book, known, received
from tests.surveys.scene import Yard, frustum_m3, work

pytestmark = pytest.mark.django_db


def test_a_book_gives_the_pile_its_shots(yard: Yard) -> None:
    known(yard)
    file = received(yard, book())
    assert (file.purpose, file.state, file.problems) == ("field-book", "read", {})
    reduction = fieldbooks.live_reduction(file)
    assert reduction is not None, file.preview
    assert reduction.gives_shots
    assert file.split["piles"] == {yard.pile.code: 14}
    measurement = work(measuring.measure_survey(file.survey, yard.surveyor).measurements[0])
    assert float(measurement.net_m3) == pytest.approx(frustum_m3(5.0), rel=2e-4)
    # The frustum of the scene has its toe shots 20 m apart; the book adds nothing to that.
    assert {f["code"] for f in measurement.findings if f["severity"] != "note"} == {"toe-gap"}
