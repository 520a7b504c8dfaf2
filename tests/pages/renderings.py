"""Drawings of the zoo, and their hashes as they were when somebody last looked at them.

`python -m tests.pages.renderings` draws all again and keeps the hashes in tests/reference/renderings.json;
with a folder as argument it also writes the drawings there, to be looked at. Look before you keep.
"""

from __future__ import annotations

import hashlib
import json
import sys
from pathlib import Path

import numpy as np

from compute.sections import section as cut
from surveys.drawings.changemap import ChangeSheet, change_map
from surveys.drawings.plan import PlanSheet, PlanShots, paper_for, places_of, plan
from surveys.drawings.section import Ruler, section
from surveys.drawings.silhouette import Profile
from tests.compute.gridded_zoo import SHAPES, Gridded, gridded

KEPT = Path(__file__).resolve().parents[1] / "reference" / "renderings.json"
RING = np.array([[0.0, 0.0], [60.0, 0.0], [60.0, 60.0], [0.0, 60.0]])
ENDS = np.array([[-2.0, 31.3], [63.0, 28.9]])
FEET = Ruler(0.3048, "ft")


def drawings(name: str) -> dict[str, str]:
    """Plan and section on a page in metres, plan and section on paper in feet, change from a lower pile."""
    shape = gridded(name)
    sheet = PlanSheet(
        vertices_m=shape.surface.vertices_m,
        triangles=shape.surface.triangles,
        ring_m=RING,
        shots=PlanShots(shape.surface.vertices_m[:40, :2], ("toe",) * 20 + ("spot",) * 20),
        base_label="v1",
        cuts_m=((ENDS, "A", "B"),),
    )
    paper = paper_for(places_of(sheet), 174.0, 150.0)
    profile = profile_of(shape)
    return {
        "plan": plan(sheet, name=name),
        "plan on paper": plan(sheet, ruler=FEET, paper=paper, name=name),
        "section": section(profile, name=name),
        "section on paper": section(profile, ruler=FEET, paper=paper, name=name),
        "change": change_map(change_of(shape), name=name),
    }


def profile_of(shape: Gridded) -> Profile:
    pieces = [piece[:, [0, 3]] for piece in cut(shape.surface, ENDS).pieces]
    floor = [np.array([[0.0, 99.5], [65.0, 99.75]])]
    return Profile.of_pieces(pieces, floor, float(np.hypot(*(ENDS[1] - ENDS[0]))))


def change_of(shape: Gridded) -> ChangeSheet:
    along = np.linspace(0.0, 60.0, shape.z_m.shape[0])
    rise = (0.25 * (shape.z_m - 103.0)).round(3)
    return ChangeSheet(along, along, rise, 0.12, RING, RING)


def hashes() -> dict[str, dict[str, str]]:
    return {
        name: {what: hashlib.sha256(drawn.encode()).hexdigest() for what, drawn in drawings(name).items()}
        for name in SHAPES
    }


def kept() -> dict[str, dict[str, str]]:
    found: dict[str, dict[str, str]] = json.loads(KEPT.read_text(encoding="utf-8"))
    return found


def main() -> None:
    KEPT.write_text(json.dumps(hashes(), indent=1) + "\n", encoding="utf-8")
    for folder in map(Path, sys.argv[1:]):
        folder.mkdir(exist_ok=True)
        for name in SHAPES:
            for what, drawn in drawings(name).items():
                (folder / f"{name} {what}.svg").write_text(drawn, encoding="utf-8")


if __name__ == "__main__":
    main()
