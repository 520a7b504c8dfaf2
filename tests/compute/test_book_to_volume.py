"""From a field book in feet to a volume: a wrong pole is found, corrected, and the volume right again."""

from __future__ import annotations

import numpy as np
import pytest

from compute.blunders import find_blunders
from compute.building import BaseChoice
from compute.coding import merge_rules
from compute.measure import MeasureRequest, measure
from compute.records import SourceFile
from compute.traverse.angles import format_dms, turn
from compute.traverse.chain import Control
from compute.traverse.corrections import SetupCorrection
from compute.traverse.solve import TraverseRequest, solve_traverse
from compute.traverse.to_shots import shots_of_book
from tests.compute.cases import EAST, FLOOR, NORTH
from tests.compute.field_crew import HEADER, line, sight
from tests.compute.setup_crew import shoot, stations

FOOT = 0.3048
POLE_FT, INSTRUMENT_FT = 6.0, 5.2
MARKS = {
    f"CP{i + 1}": (float(y) + NORTH, float(x) + EAST, FLOOR) for i, (x, y) in enumerate(stations(3).tolist())
}
KNOWN = Control({n: tuple(v / FOOT for v in p) for n, p in MARKS.items()})


def book(seed, poles):
    """Three set-ups on known stations, each with its shots; `poles` {set-up: height written, ft}."""
    shots, of = shoot(seed, noise_m=0.005)
    rows, names = [HEADER], list(MARKS)
    for s, at in enumerate(names):
        zero = 40.0 + 95.0 * s
        targets = [(names[s - 1], "backsight", MARKS[names[s - 1]], "", 5.0)]
        targets.append((names[(s + 1) % 3], "check", MARKS[names[(s + 1) % 3]], "", 5.0))
        for i in np.flatnonzero(of.setup == s).tolist():
            place = (float(shots.y_m[i]), float(shots.x_m[i]), float(shots.z_m[i]))
            targets.append((shots.names[i], "shot", place, shots.code(i), POLE_FT))
        for to, kind, place, code, true in targets:
            zenith, slope = sight(MARKS[at], place, INSTRUMENT_FT * FOOT, true * FOOT)
            circle = format_dms(turn(line(MARKS[at], place)[0] - zero), 1)
            written = poles.get(s, true) if kind == "shot" else true
            rows.append(
                f"{s + 1},{at},{to},{kind},1,{circle},{format_dms(zenith, 1)},{slope / FOOT:.3f},,,"
                f"{INSTRUMENT_FT:.2f},{written:.2f},{code},"
            )
    return "\n".join(rows) + "\n"


def measured(request):
    """The case of a book, its blunders, and the net volume."""
    result = solve_traverse(request)
    made = shots_of_book(result, merge_rules(), SourceFile("book.csv", len(request.data), "0" * 64))
    choice = BaseChoice("level", level_m=FLOOR)
    case = measure(MeasureRequest(top=made.shots, base=choice)).case
    return case, find_blunders(case, made.for_case(case))


@pytest.mark.parametrize("seed", [3, 4])
def test_a_pole_of_six_feet_entered_as_five_and_a_half(seed):
    clean = TraverseRequest(book(seed, {}).encode(), "book.csv", KNOWN, unit="foot")
    right, silent = measured(clean)
    assert silent.findings == ()
    wrong = TraverseRequest(book(seed, {1: 5.5}).encode(), "book.csv", KNOWN, unit="foot")
    case, found = measured(wrong)
    (step,) = found.steps
    assert step.groups == ("set-up 2",)
    assert step.step_m == pytest.approx(0.5 * FOOT, abs=0.01)
    assert step.fits[0].target_height_m == pytest.approx(POLE_FT * FOOT)
    assert "6 ft" in found.findings[0].message
    off = case.volume.net_m3 - right.volume.net_m3
    assert off > 30.0
    assert step.effect_m3 == pytest.approx(off, rel=0.1)
    # Corrected on record, with the observations unchanged, the volume is what the sound book gives.
    fix = SetupCorrection("2", "target_height", 6.0, "Photo of the pole.")
    corrected = TraverseRequest(wrong.data, "book.csv", KNOWN, unit="foot", corrections=(fix,))
    case, found = measured(corrected)
    assert found.findings == ()
    assert case.volume.net_m3 == pytest.approx(right.volume.net_m3, abs=1e-6)


def test_a_set_up_oriented_on_the_wrong_mark():
    """Back-sight misread by 1°: the set-up lies turned, and is set right by its orientation."""
    rows = book(5, {}).splitlines()
    turned = [rows[0]]
    for row in rows[1:]:
        cells = row.split(",")
        if cells[0] == "2" and cells[3] == "backsight":
            degrees, rest = cells[5].split("°")
            cells[5] = f"{(int(degrees) + 1) % 360}°{rest}"
        turned.append(",".join(cells))
    wrong = TraverseRequest(("\n".join(turned) + "\n").encode(), "book.csv", KNOWN, unit="foot")
    _, found = measured(wrong)
    assert [f.where for f in found.findings if f.code == "setup-turned"] == ["set-up 2"]
    checks = [f for f in solve_traverse(wrong).record["findings"] if f["code"] == "check-sight-off"]
    assert checks[0]["where"].startswith("set-up 2")
    fix = SetupCorrection("2", "orientation", 1.0, "Back-sight misread by a degree.")
    _, found = measured(TraverseRequest(wrong.data, "book.csv", KNOWN, unit="foot", corrections=(fix,)))
    assert found.findings == ()
