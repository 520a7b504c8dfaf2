"""Before the crew leaves the site: what is missing or does not fit, while it can still be put right.

Works on whatever there is: a handful of shots, a book that does not close, one file of several. It judges
nothing it cannot see, and says so. Severity `stop`: do not leave without it; `warn`: better not; `note`: to
look at.
"""

from __future__ import annotations

from dataclasses import dataclass, field

from compute.blunders.explain import LEAST_M, SIGMAS
from compute.blunders.records import SetupShots
from compute.blunders.said import turned_findings
from compute.blunders.strips import compare_all, groups_of
from compute.errors import Refused
from compute.findings.said import listed
from compute.leaving_pile import Pile, about_pile, pile_of, to_do
from compute.quantities import metres
from compute.records import Finding, FindingLimits, FloatArray, Shots
from compute.roles import ROLE_INDEX
from compute.traverse.solve import TraverseResult

BOOK_CODES = {
    "open-leg", "misclosure-angular", "misclosure-linear", "misclosure-height", "target-height-missing",
    "instrument-height-missing", "distance-both-ways", "height-both-ways", "faces-disagree",
    "check-sight-off", "free-station-off",
}  # fmt: skip


@dataclass(frozen=True)
class LeavingRequest:
    """What there is so far, site frame, metres; anything may be missing.

    of       : set-up of each of `shots`, in their order
    outline  : (K, 2) where the pile is expected
    traverse : the solved field book
    refusal  : why the book could not be solved, if it could not
    """

    shots: Shots | None = None
    of: SetupShots | None = None
    outline: FloatArray | None = None
    traverse: TraverseResult | None = None
    refusal: Refused | None = None
    limits: FindingLimits = field(default_factory=FindingLimits)


def before_leaving(request: LeavingRequest) -> tuple[Finding, ...]:
    """Everything worth doing before leaving, the gravest first; empty where nothing is missing."""
    found = [*_book(request.traverse), *_refused(request.refusal)]
    if request.shots is not None and len(request.shots):
        pile = pile_of(request.shots, request.outline)
        found += [
            *about_pile(pile, request.of, request.limits),
            *_setups(pile, request.of),
        ]
    elif request.shots is not None or (request.traverse is None and request.refusal is None):
        found.append(to_do("nothing-shot", "stop", "There is not a single shot yet.", "Shoot the pile."))
    found += _checks(request)
    gravity = {"stop": 0, "warn": 1, "note": 2}
    return tuple(sorted(found, key=lambda f: (gravity[f.severity], f.code, f.where)))


def _setups(pile: Pile, of: SetupShots | None) -> list[Finding]:
    """Set-ups that disagree where they overlap, and those that overlap with none."""
    if of is None or len(of.setup) != len(pile.shots):
        return []
    groups = groups_of(pile.shots, of)
    local = Shots(
        pile.xyz[:, 0], pile.xyz[:, 1], pile.xyz[:, 2], pile.shots.role, pile.shots.code_index,
        pile.shots.codes, pile.shots.line, pile.shots.file_index, pile.shots.files,
    )  # fmt: skip
    strips = compare_all(local, groups)
    found = [
        to_do(
            "setups-disagree", "stop",
            f"{s.second.capitalize()} stands {metres(s.step_m, '+.3f')} over {s.first} along their "
            f"shared strip ({s.pairs} pairs, ± {metres(2 * s.standard_error_m, '.3f')}): a pole or "
            "an instrument height is wrong.",
            "Measure both heights again and read them aloud; shoot a hard mark from both set-ups.",
            f"{s.first}, {s.second}", s.shots,
        )
        for s in strips
        if abs(s.step_m) > max(LEAST_M, SIGMAS * s.standard_error_m)
    ]  # fmt: skip
    # What turns or tilts a set-up can still be put right here.
    found += turned_findings(strips)
    alone = [g.name for g in groups if not any(g.name in (s.first, s.second) for s in strips)]
    if len(groups) > 1 and alone:
        found.append(
            to_do(
                "no-overlap", "warn",
                f"{listed(alone).capitalize()} shares no strip with another set-up: a wrong pole height "
                f"there "
                "would not be seen.",
                "Shoot a strip of 5 to 10 m of the face, or three hard marks, from both set-ups.",
                listed(alone),
            )
        )  # fmt: skip
    return found


def _book(traverse: TraverseResult | None) -> list[Finding]:
    """What the field book says of itself, as far as it can be put right on site."""
    if traverse is None:
        return []
    return [
        to_do(f["code"], f["severity"], f["message"], f["remedy"], f["where"])
        for f in traverse.record["findings"]
        if f["code"] in BOOK_CODES
    ]


def _refused(refusal: Refused | None) -> list[Finding]:
    """A book that cannot be solved yet is no reason to say nothing: what is wrong with it, line by line."""
    if refusal is None:
        return []
    lines = "; ".join(f"line {p.line}: {p.message}" for p in refusal.problems[:5])
    more = refusal.total_problems - min(len(refusal.problems), 5)
    told = f" {lines}" + (f"; and {more} more" if more > 0 else "") if lines else ""
    return [
        to_do(
            "book-not-solved", "stop", f"{refusal.message}{told}",
            refusal.remedy or "Correct the lines in the book while the instrument still stands.",
            refusal.where or "field book",
        )
    ]  # fmt: skip


def _checks(request: LeavingRequest) -> list[Finding]:
    """Whether a known mark was shot again, and the back-sight at the end of each set-up."""
    book = None if request.traverse is None else request.traverse.book
    shot = request.shots is not None and bool((request.shots.role == ROLE_INDEX["check"]).any())
    if book is None:
        if shot or request.shots is None or not len(request.shots):
            return []
        return [
            to_do("no-check-shot", "warn", "No known mark was shot again.",
                     "Shoot a station that was not used for orientation, with a check code.", "control")
        ]  # fmt: skip
    open_ended = [s.name for s in book.setups if not any(t.kind == "check" for t in s.targets)]
    if not open_ended:
        return []
    return [
        to_do(
            "no-check-shot", "warn",
            f"Set-up {listed(open_ended)} has no check sight: nothing shows that it did not move.",
            "Sight the back-sight again at the end of each set-up, in direction, distance and height.",
            f"set-up {listed(open_ended)}",
        )
    ]  # fmt: skip
