"""A finding is worded once and read in the units of any site."""

from __future__ import annotations

import re

import pytest

from compute.building import BaseChoice
from compute.findings import find_all
from compute.measure import MeasureRequest, measure
from compute.quantities import cubic_metres, in_units, metres, millimetres, put_in_words, square_metres
from compute.records import Finding
from tests.compute.crew import at_site, case_of
from tests.compute.planted import PLANTED, lifted
from tests.compute.shots_of import shots_of

IN_METRES = re.compile(r"\d\s?(?:mm|m|m²|m³)(?![\w²³])")


def test_a_sentence_is_told_in_metres_and_in_feet():
    marked = (
        f"A gap of {metres(3.048)} over {square_metres(9.290304, ',.1f')}, {millimetres(0.0254)} off, makes "
        f"{cubic_metres(-1529.110, '+,.0f')}."
    )
    message, quantities = put_in_words(marked)
    kept = [quantity.as_list() for quantity in quantities]
    assert message == "A gap of 3.05 m over 9.3 m², 25 mm off, makes -1,529 m³."
    assert in_units(message, kept, "metre", "cubic-metre") == message
    feet = in_units(message, kept, "foot", "cubic-yard")
    assert feet == "A gap of 10.00 ft over 100.0 ft², 0.08 ft off, makes -2,000 yd³."
    survey = in_units(message, kept, "us-survey-foot", "cubic-metre")
    assert survey == "A gap of 10.00 ftUS over 100.0 ft², 0.08 ftUS off, makes -1,529 m³."


def test_a_sentence_without_quantities_stays_as_it_is():
    assert put_in_words("Nothing to convert: 3.05 m.") == ("Nothing to convert: 3.05 m.", ())
    assert in_units("Nothing to convert: 3.05 m.", [], "foot", "cubic-yard") == "Nothing to convert: 3.05 m."


def test_an_unknown_unit_is_refused():
    message, quantities = put_in_words(metres(1.0))
    with pytest.raises(KeyError):
        in_units(message, [q.as_list() for q in quantities], "cubit", "cubic-metre")


def test_a_finding_keeps_its_quantities_in_its_record():
    found = Finding("x", "note", f"It is {metres(0.3048)} high.").as_dict()
    assert found["message"] == "It is 0.30 m high."
    assert found["quantities"] == [[6, 12, 0.3048, "length", ".2f"]]


@pytest.mark.parametrize("entry", sorted(PLANTED), ids="/".join)
def test_every_quantity_that_a_finding_tells_can_be_told_in_feet(entry):
    for finding in find_all(PLANTED[entry][0]()):
        kept = [quantity.as_list() for quantity in finding.quantities]
        assert in_units(finding.message, kept, "metre", "cubic-metre") == finding.message
        feet = in_units(finding.message, kept, "foot", "cubic-yard")
        assert not IN_METRES.search(feet), feet
        assert not IN_METRES.search(finding.where + finding.remedy)


def test_a_digit_is_typed_in_the_unit_of_the_file():
    """Ten feet too many are found as ten feet, and the heights are told as they stand in the file."""
    rows = lifted(100 * 0.3048)
    at = next(k for k, (a, b) in enumerate(zip(rows, lifted(0.0), strict=True)) if a != b)
    case = case_of(rows, declared_unit="foot")
    (spike,) = [f for f in find_all(case) if f.code in ("spike", "stands-out")]
    height = rows[at][2] / 0.3048
    assert f"Likely {height:.2f} typed for {height - 100:.2f}." in spike.message


def test_the_unit_that_a_file_was_read_in_changes_no_digest():
    rows = at_site(shots_of([(*row[:4], str(k)) for k, row in enumerate(lifted(100 * 0.3048))]))
    records = [
        measure(MeasureRequest(top=rows, base=BaseChoice("toe"), declared_unit=unit)).record
        for unit in ("metre", "foot")
    ]
    assert records[0]["digest"] == records[1]["digest"]
    assert records[0]["findings"] != records[1]["findings"]
