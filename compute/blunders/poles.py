"""Which pole length, entered wrong, would close a step.

The lengths are those at which poles are commonly set or made; common practice, no source. There are so many
of them that one step in five fits some length by chance: a fit is a hint where to look in the book, no proof.
"""

from __future__ import annotations

from compute.blunders.records import Fit
from compute.units import FOOT_M

METRE_POLES_M = (1.30, 1.50, 1.80, 2.00, 2.20, 2.50)
FOOT_POLES_FT = (4.5, 5.0, 5.5, 6.0, 6.5, 7.0)
FOOT = float(FOOT_M)
TOLERANCE_M = 0.012
SIGMAS = 2.5


def common_lengths() -> tuple[tuple[float, str], ...]:
    """(metres, words), the shortest first."""
    metres = [(length, f"{length:.3f} m") for length in METRE_POLES_M]
    feet = [(length * FOOT, f"{length:g} ft ({length * FOOT:.3f} m)") for length in FOOT_POLES_FT]
    return tuple(sorted(metres + feet))


def fits_of(step_m: float, standard_error_m: float, recorded_m: float | None) -> tuple[Fit, ...]:
    """What closes a step, the closest first. A pole entered too short puts its shots too high by the step.

    With a height on record: the common length it should have been, or the same figure in the other unit.
    Without: two common lengths that lie the step apart.
    """
    tolerance = max(TOLERANCE_M, SIGMAS * standard_error_m)
    if recorded_m is None:
        found = _differences(step_m, tolerance)
    else:
        found = [
            Fit(f"{words} would close the step", length, recorded_m, recorded_m + step_m - length)
            for length, words in common_lengths()
        ]
        found += [
            Fit(words, true, recorded_m, recorded_m + step_m - true)
            for true, words in (
                (recorded_m * FOOT, f"the height as feet ({recorded_m * FOOT:.3f} m) would close the step"),
                (
                    recorded_m / FOOT,
                    f"the height in the other unit ({recorded_m / FOOT:.3f} m) would close it",
                ),
            )
        ]
    return tuple(sorted((f for f in found if abs(f.off_m) <= tolerance), key=lambda f: abs(f.off_m)))


def _differences(step_m: float, tolerance: float) -> list[Fit]:
    found = []
    for short, short_words in common_lengths():
        for long, long_words in common_lengths():
            if long <= short or abs(abs(step_m) - (long - short)) > tolerance:
                continue
            entered, right = (short, long) if step_m > 0 else (long, short)
            said = (short_words, long_words) if step_m > 0 else (long_words, short_words)
            found.append(
                Fit(
                    f"a pole of {said[1]} entered as {said[0]} would close the step",
                    right,
                    entered,
                    step_m - (right - entered),
                )
            )
    return found
