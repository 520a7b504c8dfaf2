"""The surface that pictures of a large pile are drawn from, kept beside its geometry.

A browser turns and draws some ten thousand vertices at once, not millions. A derivation, never evidence: it
may be deleted at any time and is worked out again from the geometry. No figure is taken from it.
"""

from __future__ import annotations

import hashlib
import io
import logging
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from compute.case import LEFT_OUT_INDEX
from compute.records import Surface
from compute.roles import ROLE_INDEX, ROLES
from compute.simplify import simplified
from surveys import storage

log = logging.getLogger(__name__)

Arrays = dict[str, np.ndarray]

BUDGET = 8_000
"""Vertices of a drawn surface: its bands and contours cost most, and more show no more of a pile."""

FOLDER = "thinned"
MANNER = 2
"""Changes when the thinning does, so that older files are not taken for new ones."""

HASH_BYTES = 32
SHOTS_DRAWN = 6000
OF_A_CLOUD = 2000
"""More marks than `SHOTS_DRAWN` would hide the plan; of so many, about these are drawn."""

OF_OTHERS = ("outside_outline", "inside_other_pile")
BY_ROLE = ("floor", "ground", "structure")
"""Left out of the top surface by their role: that is their place, not a fault."""

NEVER_TOP = ("control", "check", "rejected", "unknown")
BY_SHOT = ("shots", "role", "left_out", "shot_line")


@dataclass(frozen=True)
class Thinning:
    """How a drawn surface differs from the measured one: points of each, largest vertical distance, m."""

    measured: int
    drawn: int
    largest_deviation_m: float


def thinning_of(arrays: Mapping[str, np.ndarray]) -> Thinning | None:
    """What to say beside a picture that is drawn from `arrays`; None where they are the measured ones."""
    if "thinning" not in arrays:
        return None
    measured, drawn, deviation_m = arrays["thinning"].tolist()
    return Thinning(int(measured), int(drawn), deviation_m)


def is_large(arrays: Mapping[str, np.ndarray]) -> bool:
    return max(len(arrays["top_vertices"]), len(arrays["base_vertices"])) > BUDGET


def thinned(arrays: Mapping[str, np.ndarray]) -> Arrays:
    """Geometry (`compute.record.geometry_of`) with both surfaces within the budget and the shots drawn."""
    out, deviation_m = dict(arrays), 0.0
    for which in ("top", "base"):
        full = surface_of(arrays, which)
        thin = simplified(full, BUDGET)
        out[f"{which}_vertices"] = thin.surface.vertices_m
        out[f"{which}_triangles"] = thin.surface.triangles
        if which == "top":
            out["top_lines"] = thin.surface.lines
        deviation_m = max(deviation_m, thin.largest_deviation_m)
    kept = shots_drawn(arrays)
    out["shots_by_role"] = shots_by_role(arrays)
    out |= {name: arrays[name][kept] for name in BY_SHOT if name in arrays}
    counts = [max(len(each[f"{which}_vertices"]) for which in ("top", "base")) for each in (arrays, out)]
    out["thinning"] = np.array([*counts, deviation_m])
    return out


def shots_drawn(arrays: Mapping[str, np.ndarray]) -> np.ndarray:
    """Which shots a plan of the pile shows: all near it, evenly few of a cloud."""
    near = _near(arrays)
    return near if len(near) <= SHOTS_DRAWN else near[:: len(near) // OF_A_CLOUD]


def shots_by_role(arrays: Mapping[str, np.ndarray]) -> np.ndarray:
    """How many shots of each role there are near the pile, by index into `ROLES`, drawn or not."""
    if "shots_by_role" in arrays:
        return arrays["shots_by_role"]
    return np.bincount(role_shown(arrays)[_near(arrays)], minlength=len(ROLES))


def role_shown(arrays: Mapping[str, np.ndarray]) -> np.ndarray:
    """(N,) index into `ROLES`: what each shot was used as; one left out against its role is rejected."""
    role, left_out = arrays["role"].astype(np.int64), arrays["left_out"]
    in_place = np.isin(left_out, [0, *(LEFT_OUT_INDEX[reason] for reason in BY_ROLE)])
    in_place |= np.isin(role, [ROLE_INDEX[name] for name in NEVER_TOP])
    return np.where(in_place, role, ROLE_INDEX["rejected"])


def _near(arrays: Mapping[str, np.ndarray]) -> np.ndarray:
    """Shots within the frame of a plan, without those of other piles in the same file."""
    low, high = arrays["edge"].min(axis=0), arrays["edge"].max(axis=0)
    pad = 0.07 * float(max(high - low)) + 0.5
    places = arrays["shots"][:, :2]
    near = ((places >= low - pad) & (places <= high + pad)).all(axis=1)
    near &= ~np.isin(arrays["left_out"], [LEFT_OUT_INDEX[reason] for reason in OF_OTHERS])
    return np.flatnonzero(near)


def surface_of(arrays: Mapping[str, np.ndarray], which: str) -> Surface:
    """`which` is `top` or `base`; local frame. Kept geometry does not know the shots of its vertices."""
    vertices = arrays[f"{which}_vertices"]
    nobody = np.full(len(vertices), -1, dtype=np.int32)
    lines = arrays["top_lines"] if which == "top" else np.empty((0, 2), dtype=np.int32)
    return Surface(vertices, arrays[f"{which}_triangles"], nobody, lines)


def keep(geometry_path: str, arrays: Mapping[str, np.ndarray]) -> Arrays:
    """Thin, and keep it under the name of its geometry. A store that takes nothing costs time later."""
    thin = thinned(arrays)
    out = io.BytesIO()
    np.savez(out, **thin)
    body = out.getvalue()
    path = path_of(geometry_path)
    try:
        with storage.arriving(iter([hashlib.sha256(body).digest(), body]), path, None) as arrived:
            storage.place(arrived, path)
    except OSError as fault:
        log.warning("The thinned surface %s was not kept: %s", path, fault)
    return thin


def found(geometry_path: str) -> Arrays | None:
    """What was kept for that geometry, or None where nothing whole was."""
    path = path_of(geometry_path)
    try:
        with storage.store().open(path, "rb") as kept:
            data = kept.read()
    except OSError:
        return None
    if hashlib.sha256(data[HASH_BYTES:]).digest() != data[:HASH_BYTES]:
        log.warning("The thinned surface at %s is damaged; it is worked out again.", path)
        return None
    with np.load(io.BytesIO(data[HASH_BYTES:]), allow_pickle=False) as arrays:
        return {name: arrays[name] for name in arrays.files}


def path_of(geometry_path: str) -> str:
    """Geometry is named by its hash (`storage.keep_derived`), and so is what is made of it."""
    return f"{FOLDER}/{geometry_path.removeprefix('derived/')}-{BUDGET}-{MANNER}"
