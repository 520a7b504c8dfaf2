"""Findings about walls: material over them, contact shots off them, and what lies hidden behind."""

from __future__ import annotations

from typing import TYPE_CHECKING

from compute.findings.said import Entry, counted, places, tells
from compute.quantities import cubic_metres, metres, square_metres
from compute.records import Finding

if TYPE_CHECKING:
    from compute.case import Case

OVER = Entry("over-wall", "warn", "Material stands above the top of a wall.")
OFF = Entry("off-wall", "warn", "Contact shots that lie on no wall of the pile.")
HIDDEN = Entry("hidden-at-wall", "warn", "A part of a bay behind the material that nobody saw.")


@tells(OVER)
def find_over_wall(case: Case) -> list[Finding]:
    """The highest contact against the top of its wall."""
    return [
        Finding(
            code=OVER.code,
            severity=OVER.severity,
            message=f"Material touches wall {wall.code} {metres(-wall.freeboard_m)} above its top "
            f"({metres(wall.height_m)} over the foot). It may spill over, and walls are built for a load; "
            "the face was taken to go on upwards.",
            where=case.shots.place(wall.highest) or f"wall {wall.code}",
            remedy="Keep people away from the far side, lower the material, and ask whoever answers for the "
            "wall what it may carry.",
            shots=(wall.highest,),
        )
        for wall in case.walls
        if wall.freeboard_m is not None and wall.freeboard_m < 0
    ]


@tells(OFF)
def find_off_wall(case: Case) -> list[Finding]:
    """Contact shots too far from every face to be moved onto one."""
    if not case.walls or not case.off_wall:
        return []
    return [
        Finding(
            code=OFF.code,
            severity=OFF.severity,
            message=f"{counted(len(case.off_wall), 'contact shot lies', 'contact shots lie')} off the faces "
            "of all walls. The outer edge runs through the shot, not along a wall there.",
            where=places(case.shots, case.off_wall),
            remedy="Check the line of the wall and its lean, or the code of the shot.",
            shots=case.off_wall,
        )
    ]


@tells(HIDDEN)
def find_hidden_at_wall(case: Case) -> list[Finding]:
    """Bends of a wall between two contacts too far apart to join round them."""
    return [
        Finding(
            code=HIDDEN.code,
            severity=HIDDEN.severity,
            message=f"{square_metres(hole.area_m2)} of the bay at wall {hole.wall} lie behind the last "
            "contacts seen and were not measured. Nothing is assumed there: the net volume ends at the line "
            "between them." + _assumed(hole.repose_deg, hole.assumed_m3),
            where=f"{case.shots.place(hole.first)} to {case.shots.place(hole.last)}",
            remedy="Shoot the contact from above or from the other side; never from below a face.",
            effect_m3=hole.assumed_m3,
            shots=(hole.first, hole.last),
        )
        for wall in case.walls
        for hole in wall.holes
    ]


def _assumed(repose_deg: float | None, volume_m3: float | None) -> str:
    if repose_deg is None:
        return ""
    if volume_m3 is None:
        return " The base does not reach there, so that the declared slope gives no volume."
    return (
        f" With the slope declared, falling at {repose_deg:g}° to the wall, it would hold "
        f"{cubic_metres(volume_m3, ',.1f')}; that stands beside the net, not in it."
    )
