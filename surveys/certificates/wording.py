"""Fixed words of a certificate: cautions, what is not claimed, what nobody stated."""

from __future__ import annotations

NOT_STATED = "not stated"

NOT_CLAIMED = (
    "Conformity to any published method or standard is not claimed. The volume was worked out between two "
    "triangulated surfaces; methods whose scope leaves such computation out do not cover it.",
    "This is not a boundary survey. Outer edge, outlines and control say nothing about property, title or "
    "rights.",
    "Whether this quantity has to be determined, signed or sealed by a licensed person depends on the place "
    "and the purpose. Licensed practice and local rules come first.",
    "The quantity is what lay above the base at the time of the survey. Nothing is said about quality, "
    "ownership or value, nor about material that the survey could not see.",
)

SAFETY = (
    "Nobody should walk or stand above a place where material is being drawn off, under a face that is "
    "undercut or steeper than it will stand, or where a bridge over a void is possible. Before anybody goes "
    "onto the pile: its hazard card, the rules of the site, and the local code, which come before the survey."
)

NO_HAZARDS = "No hazards are recorded for this pile. That is no statement that there are none."

SEAL_MISSING = (
    "A sealed document is required for this purpose and none is named here. This certificate alone does not "
    "meet that requirement."
)
SEAL_UNKNOWN = "Whether a sealed document is required was not determined."

NO_ROLL_FORWARD = (
    "The quantity is that at the survey. This certificate does not roll it to another moment; the book does "
    "so, with the movements in between."
)

PREVIEW = "This is a preview of what would be certified. Nobody has approved it; do not use the figures."

LENGTH_UNITS = {
    "metre": "metre",
    "foot": "international foot, 0.3048 m exactly",
    "us-survey-foot": "US survey foot, 1200/3937 m",
}
