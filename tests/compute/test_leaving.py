"""Before leaving: what is missing is named while it can be shot, and thin data never breaks the check."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from compute.blunders import SetupShots
from compute.errors import Refused
from compute.leaving import LeavingRequest, before_leaving
from compute.records import Shots
from compute.roles import ROLE_INDEX
from compute.traverse.chain import Control
from compute.traverse.solve import TraverseRequest, solve_traverse
from tests.compute import standard_pile as pile
from tests.compute.cases import EAST, NORTH
from tests.compute.field_crew import YARD, field_book, line
from tests.compute.setup_crew import shoot

CONTROL = Control({"CP1": YARD["CP1"]}, {("CP1", "CP2"): line(YARD["CP1"], YARD["CP2"])[0]})
OUTLINE = pile.stadium(pile.TOE_RADIUS_M, 5.0) + np.array([EAST, NORTH])


def kept(shots: Shots, of: SetupShots, mask, setups=None):
    arrays = ("x_m", "y_m", "z_m", "role", "code_index", "line", "file_index")
    names = [n for n, k in zip(shots.names, mask, strict=True) if k]
    part = dataclasses.replace(shots, **{a: getattr(shots, a)[mask] for a in arrays}, names=names)
    return part, SetupShots(of.setup[mask], of.target_height_m[mask], of.setups if setups is None else setups)


def found(shots=None, of=None, **more):
    return {f.code: f for f in before_leaving(LeavingRequest(shots, of, **more))}


def with_check(shots):
    role = shots.role.copy()
    role[np.flatnonzero(role == ROLE_INDEX["spot"])[0]] = ROLE_INDEX["check"]
    return dataclasses.replace(shots, role=role)


@pytest.mark.parametrize("seed", range(10))
def test_a_whole_survey_lacks_nothing(seed):
    shots, of = shoot(seed)
    assert set(found(with_check(shots), of)) == {"highest-and-lowest"}
    assert set(found(with_check(shots), of, outline=OUTLINE)) == {"highest-and-lowest"}


def test_a_side_without_shots_is_named_by_its_wind():
    shots, of = shoot(3)
    north = shots.y_m - NORTH > 6.0
    told = found(*kept(shots, of, ~north), outline=OUTLINE)
    assert told["blank-face"].severity == "stop"
    assert "to the north" in told["blank-face"].message
    assert "do not climb" in told["blank-face"].remedy.lower()
    assert told["toe-gap"].severity == "stop"
    assert "north" in told["toe-gap"].message


def test_faces_that_no_set_up_saw():
    shots, of = shoot(3)
    two = kept(shots, of, of.setup < 2, of.setups[:2])
    assert "south" in found(*two)["face-away"].message
    assert "face-away" not in found(shots, of)


def test_set_ups_that_disagree_and_set_ups_that_never_met():
    told = found(*shoot(3, steps={1: 0.2}))
    assert told["setups-disagree"].severity == "stop"
    assert "pole or an instrument height" in told["setups-disagree"].message
    apart = found(*shoot(3, count=3, strip_m=-6.0))
    assert apart["no-overlap"].severity == "warn"


def test_missing_roles():
    shots, of = shoot(2, pad=False)
    told = found(shots, of)
    assert "0 exposed-pad shots" in told["few-pad-shots"].message
    assert "no-check-shot" in told
    role = np.where(
        np.isin(shots.role, [ROLE_INDEX["toe"], ROLE_INDEX["crest"]]), ROLE_INDEX["spot"], shots.role
    )
    told = found(dataclasses.replace(shots, role=role.astype(np.int8)), of)
    assert told["no-toe"].severity == "stop"
    assert "no-crest" in told


def test_the_book_s_own_findings_come_along():
    book = field_book(targets={("CP1", "S2"): ""})
    solved = solve_traverse(TraverseRequest(book.encode(), "book.csv", CONTROL))
    told = found(traverse=solved)
    assert "target-height-missing" in told
    assert "no check sight" in told["no-check-shot"].message
    open_leg = "".join(r for r in book.splitlines(keepends=True) if r[:2] in ("se", "1,", "2,", "3,"))
    solved = solve_traverse(TraverseRequest(open_leg.encode(), "book.csv", CONTROL))
    assert "open-leg" in found(traverse=solved)
    wrong = field_book(targets={("CP2", "CP3"): "1.900"})
    solved = solve_traverse(TraverseRequest(wrong.encode(), "book.csv", CONTROL))
    assert found(traverse=solved)["misclosure-height"].severity == "stop"


def test_every_beginning_of_a_book_gives_an_answer():
    """Cut off after any line, the book is either solved or refused, and the check tells what to do."""
    rows = field_book().splitlines(keepends=True)
    refused = 0
    for count in range(len(rows)):
        data = "".join(rows[: count + 1]).encode()
        try:
            request = LeavingRequest(traverse=solve_traverse(TraverseRequest(data, "book.csv", CONTROL)))
        except Refused as refusal:
            request, refused = LeavingRequest(refusal=refusal), refused + 1
            assert "book-not-solved" in {f.code for f in before_leaving(request)}
        assert all(f.message and f.remedy for f in before_leaving(request))
    assert 0 < refused < len(rows)


@pytest.mark.parametrize("seed", range(6))
def test_thin_data_never_breaks_the_check(seed):
    rng = np.random.default_rng(seed)
    shots, of = shoot(seed)
    for count in (0, 1, 2, 3, 4, 7, 15, 40):
        chosen = np.zeros(len(shots), bool)
        chosen[rng.choice(len(shots), count, replace=False)] = True
        for outline in (None, OUTLINE, OUTLINE[:2]):
            told = before_leaving(LeavingRequest(*kept(shots, of, chosen), outline))
            assert told
            assert all(f.message and f.remedy for f in told)
    assert [f.code for f in before_leaving(LeavingRequest())] == ["nothing-shot"]


def test_shots_on_a_line_at_one_place_or_not_finite():
    shots, of = shoot(1)
    for change in (
        {"y_m": np.full(len(shots), NORTH)},
        {"x_m": np.full(len(shots), EAST), "y_m": np.full(len(shots), NORTH)},
        {"z_m": np.full(len(shots), np.nan)},
    ):
        assert before_leaving(LeavingRequest(dataclasses.replace(shots, **change), of))


def test_the_gravest_come_first():
    order = [f.severity for f in before_leaving(LeavingRequest(*shoot(3, steps={1: 0.2}, pad=False)))]
    assert order == sorted(order, key=["stop", "warn", "note"].index)
    assert order[0] == "stop"
