"""A crew that observes stations whose coordinates are known, and writes a field book or a list of angles."""

from __future__ import annotations

import math

import numpy as np

from compute.traverse.angles import azimuth_between, format_dms, turn

HEADER = (
    "setup,at,to,kind,face,circle,zenith,slope_distance,horizontal_distance,height_difference,"
    "instrument_height,target_height,code,note"
)
K, RADIUS_M = 0.13, 6_371_000.0
YARD = {
    "CP1": (1000.0, 2000.0, 50.0),
    "CP2": (1074.21, 2012.84, 51.2),
    "CP3": (1088.66, 2096.02, 52.9),
    "CP4": (1011.3, 2104.77, 50.7),
    "CP5": (985.0, 2050.0, 49.8),
}
PILE = {"S1": (1030.0, 2040.0, 55.0), "S2": (1045.5, 2062.25, 58.5), "S3": (1020.0, 2075.0, 51.1)}


def line(a, b):
    """Azimuth and horizontal distance from a to b."""
    return azimuth_between(b[0] - a[0], b[1] - a[1]), math.hypot(b[0] - a[0], b[1] - a[1])


def sight(a, b, hi, ht):
    """Zenith angle and slope distance, with curvature and refraction: the reduction turned round."""
    distance = line(a, b)[1]
    up = b[2] - a[2] - hi + ht - (1 - K) * distance**2 / (2 * RADIUS_M)
    return math.degrees(math.atan2(distance, up)), math.hypot(distance, up)


def field_book(stations=YARD, shots=PILE, collimation=0.004, index=0.003, targets=None):
    """Loop of set-ups in two faces, shots from the first; `targets` {(at, to): target height as written}."""
    names, rows = list(stations), [HEADER]
    for i, at in enumerate(names):
        zero, hi = 17.3 + 40.1 * i, 1.5 + 0.01 * i
        back, fore = names[i - 1], names[(i + 1) % len(names)]
        wanted = [(back, "backsight"), (fore, "foresight")]
        wanted += [(s, "shot") for s in shots] if i == 0 else []
        for to, kind in wanted:
            place = {**stations, **shots}[to]
            ht = 1.8 if kind == "shot" else 1.6
            azimuth, _ = line(stations[at], place)
            zenith, slope = sight(stations[at], place, hi, ht)
            circle = azimuth - zero
            written = (targets or {}).get((at, to), f"{ht:.3f}")
            code = "SPT" if kind == "shot" else ""
            tail = f"{slope:.5f},,,{hi:.3f},{written},{code},"
            first = f"{format_dms(turn(circle + collimation), 2)},{format_dms(zenith + index, 2)},{tail}"
            turned = turn(circle + 180 - collimation)
            second = f"{format_dms(turned, 2)},{format_dms(360 - zenith + index, 2)},{tail}"
            rows += [f"{i + 1},{at},{to},{kind},1,{first}", f"{i + 1},{at},{to},{kind},2,{second}"]
    return "\n".join(rows) + "\n"


def free_set_up(number, name, here, known, shots, zero=217.35, hi=1.52, edm=(0.0, 0.0)):
    """Rows of one set-up at `here`: the first known point as back-sight, the others as checks, then shots.

    `edm` (prism constant, ppm): what the instrument left for the office to add.
    """
    rows = []
    wanted = [(n, "check" if i else "backsight", YARD[n]) for i, n in enumerate(known)]
    wanted += [(n, "shot", place) for n, place in shots.items()]
    for to, kind, place in wanted:
        ht = 1.8 if kind == "shot" else 1.6
        zenith, slope = sight(here, place, hi, ht)
        measured = (slope - edm[0]) / (1 + edm[1] * 1e-6)
        circle = format_dms(turn(line(here, place)[0] - zero), 2)
        code = "SPT" if kind == "shot" else ""
        rows.append(
            f"{number},{name},{to},{kind},1,{circle},{format_dms(zenith, 2)},{measured:.5f},,,"
            f"{hi:.3f},{ht:.3f},{code},"
        )
    return "\n".join(rows) + "\n"


def angle_rows(stations, rng=None, angle_seconds=0.0, distance_m=0.0, wrong_angle=None, wrong_distance=None):
    """`at,angle,distance` of a loop with noise; `wrong_* = (index, degrees or metres)` plants an error."""
    names, rows = list(stations), ["at,angle,distance"]
    noise = np.zeros((len(names), 2)) if rng is None else rng.normal(size=(len(names), 2))
    for i, at in enumerate(names):
        back, fore = names[i - 1], names[(i + 1) % len(names)]
        azimuth, distance = line(stations[at], stations[fore])
        angle = azimuth - line(stations[at], stations[back])[0] + noise[i, 0] * angle_seconds / 3600
        distance += noise[i, 1] * distance_m
        if wrong_angle and wrong_angle[0] == i:
            angle += wrong_angle[1]
        if wrong_distance and wrong_distance[0] == i:
            distance += wrong_distance[1]
        rows.append(f"{at},{format_dms(turn(angle), 1)},{distance:.4f}")
    return "\n".join(rows) + "\n"
