"""What every survey saw of the bare pad beside a pile, and the base that follows where the ground changed.

Looks are taken against the base in force, from the measurements of its days. A base proposed from them is
the old one with a region replaced; it goes the way of every base: another person approves it, and nothing
measured before its first day changes.
"""

from __future__ import annotations

import csv
import datetime as dt
import hashlib
import io
import math
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from compute.building import build_ground
from compute.case import LEFT_OUT_INDEX
from compute.coding import assign_roles, merge_rules
from compute.pad_monitor import (
    BaseBridge,
    PadSeen,
    Region,
    band_of,
    base_bridge,
    pad_seen,
    region_replaced,
    regions_off_base,
)
from compute.pointfiles import read_points
from compute.records import FindingLimits, FloatArray, Surface, read_only
from compute.roles import ROLE_INDEX
from compute.surface import make_edge
from inventory import basing
from inventory.errors import NoBaseInForce
from inventory.models import BaseVersion, Pile
from surveys import computing, grounds
from surveys.errors import EvidenceDamaged, EvidenceMissing, WrongState
from surveys.models import Measurement, State

INDEPENDENT = (BaseVersion.Kind.SURFACE, BaseVersion.Kind.LEVEL)
"""A base through the toe shots of each survey has no pad of its own to be compared with."""

LOOKED_AT = (State.COMPUTED, State.REVIEWED, State.APPROVED)
LOOKS = 36
"""So many surveys are looked at, the newest: three years of months."""

CLOUDS = ("flight", "scan")
"""Of a cloud, what was left out because it lies outside the edge is taken as bare."""


@dataclass(frozen=True)
class Look:
    """One survey of the pile and what it saw; `seen` is None where it saw no bare pad."""

    measurement: Measurement
    seen: PadSeen | None


@dataclass(frozen=True)
class Monitor:
    """The bare pad of a pile since its base came into force. Local frame; add `origin_m` for the site's.

    band_m : doubt of one difference, k = 2; edge_m : outer edge of the newest survey
    lost   : surveys whose geometry is not in the store
    """

    base: BaseVersion
    looks: tuple[Look, ...]
    regions: tuple[Region, ...]
    band_m: float
    ground: Surface
    edge_m: FloatArray
    origin_m: FloatArray
    lost: int

    @property
    def newest(self) -> Measurement:
        return self.looks[-1].measurement

    @property
    def seen(self) -> tuple[Look, ...]:
        return tuple(look for look in self.looks if look.seen is not None)

    @property
    def step(self) -> PadSeen | None:
        """The newest look, where as a whole it is off the base by more than its doubt; mean over places."""
        newest = self.seen[-1].seen if self.seen else None
        if newest is None or len(newest.difference_m) < 3:
            return None
        alone = newest.spread_m / math.sqrt(len(newest.difference_m))
        return newest if abs(newest.mean_m) > math.hypot(self.band_m / 2, 2 * alone) else None


@dataclass(frozen=True)
class Proposal:
    """A base with one region replaced, before it is proposed: its file, and what it does to the last volume.

    volume after = volume before − `bridge.net_m3`; tonnes by the density of that survey, None without one.
    """

    region: Region
    name: str
    data: bytes
    bridge: BaseBridge
    tonnes: float | None
    height_uncertainty_m: float

    @property
    def minus_net_m3(self) -> float:
        """What the volume changes by, from old base to new."""
        return -self.bridge.net_m3

    @property
    def minus_tonnes(self) -> float | None:
        return None if self.tonnes is None else -self.tonnes

    @property
    def sha256(self) -> str:
        return hashlib.sha256(self.data).hexdigest()


def monitor_of(pile: Pile, on: dt.date) -> Monitor | None:
    """The pad of a pile against the base in force on a day; None where no survey was measured over one that
    is independent of it. Two queries, and one geometry a survey."""
    try:
        base = basing.base_in_force(pile, on)
    except NoBaseInForce:
        return None
    if base.kind not in INDEPENDENT:
        return None
    rows = Measurement.objects.filter(pile=pile, base_version=base, state__in=LOOKED_AT)
    rows = rows.exclude(geometry_path="").select_related("pile", "density", "survey__site__organization")
    kept: dict[dt.date, tuple[Measurement, Any]] = {}
    lost = 0
    for row in rows.defer("record").order_by("-surveyed_on", "-version"):
        if row.surveyed_on in kept or len(kept) == LOOKS:
            continue
        try:
            kept[row.surveyed_on] = (row, computing.geometry_of(row))
        except (EvidenceMissing, EvidenceDamaged):
            lost += 1
    if not kept:
        return None
    return _monitor(base, [kept[day] for day in sorted(kept)], lost)


def _monitor(base: BaseVersion, kept: list[tuple[Measurement, Any]], lost: int) -> Monitor:
    newest, arrays = kept[-1]
    origin = arrays["origin"]
    ground = Surface(
        read_only(arrays["base_vertices"]),
        read_only(arrays["base_triangles"]),
        read_only(np.full(len(arrays["base_vertices"]), -1, np.int32)),
        read_only(np.empty((0, 2), np.int32)),
    )
    looks = []
    for measurement, shown in kept:
        shift = np.r_[shown["origin"] - origin, 0.0]
        ring = shown["edge"] + shift[:2]
        bare = _bare_points(measurement, shown) + shift
        looks.append(Look(measurement, pad_seen(measurement.surveyed_on, bare, ground, [ring])))
    model = newest.request["model"]
    shot_m = math.hypot(model["shot_noise_m"], model["height_bias_top_m"])
    band_m = band_of(shot_m, float(base.height_uncertainty_m))
    regions = regions_off_base([look.seen for look in looks if look.seen is not None], band_m)
    return Monitor(base, tuple(looks), regions, band_m, ground, arrays["edge"], origin, lost)


def _bare_points(measurement: Measurement, arrays: Any) -> FloatArray:
    """(N, 3) shots on the pad, and of a cloud what lies well outside the edge."""
    role = arrays["role"]
    bare = np.isin(role, [ROLE_INDEX["floor"], ROLE_INDEX["ground"]])
    if measurement.survey.method in CLOUDS:
        bare |= arrays["left_out"] == LEFT_OUT_INDEX["outside_edge"]
    return np.asarray(arrays["shots"][bare], dtype=np.float64).reshape(-1, 3)


def proposal_of(monitor: Monitor, region: Region) -> Proposal:
    """The base with a region replaced, and the bridge of the newest volume over it."""
    pile = monitor.base.pile
    rows = region_replaced(monitor.ground, region)
    data = _as_file(rows, monitor.origin_m)
    name = f"{pile.code}-region-{region.last_on}.csv"
    edge = make_edge("stored", monitor.edge_m, np.full(len(monitor.edge_m), -1))
    bridge = base_bridge(monitor.ground, _as_measured(data, name, pile, monitor.origin_m), edge)
    density = monitor.newest.density
    tonnes = None if density is None else bridge.net_m3 * float(density.t_per_m3)
    model = monitor.newest.request["model"]
    height_m = max(float(monitor.base.height_uncertainty_m), float(model["height_bias_top_m"]))
    return Proposal(region, name, data, bridge, tonnes, height_m)


def _as_file(rows: Any, origin_m: FloatArray) -> bytes:
    out = io.StringIO()
    sheet = csv.writer(out, lineterminator="\n")
    sheet.writerow(["point", "northing", "easting", "elevation", "code"])
    for number, row in enumerate(rows, start=1):
        east, north = row.x_m + origin_m[0], row.y_m + origin_m[1]
        sheet.writerow([number, f"{north:.4f}", f"{east:.4f}", f"{row.z_m:.4f}", row.code])
    return out.getvalue().encode()


def _as_measured(data: bytes, name: str, pile: Pile, origin_m: FloatArray) -> Surface:
    """The proposed ground as a measurement will read it."""
    points = read_points(data, name, columns=None, unit="metre", delimiter=None, decimal=None)
    shots = assign_roles([points], merge_rules(pile.site.code_rules))
    local = replace(shots, x_m=read_only(shots.x_m - origin_m[0]), y_m=read_only(shots.y_m - origin_m[1]))
    return build_ground(local, (), FindingLimits())


def propose_region(
    pile: Pile, by: Any, *, on: dt.date, sha256: str, valid_from: dt.date, reason: str
) -> BaseVersion:
    """Propose the base with the region that somebody was shown, named by the hash of its file.

    Raises `WrongState` where other looks have changed it since, and what `propose_surveyed_base` raises.
    """
    monitor = monitor_of(pile, on)
    shown = [] if monitor is None else [proposal_of(monitor, region) for region in monitor.regions]
    proposal = next((each for each in shown if each.sha256 == sha256), None)
    if proposal is None:
        raise WrongState(
            f"The bare pad of {pile.code} is known otherwise by now. No base was proposed.", where=pile.code
        )
    return grounds.propose_surveyed_base(
        pile,
        proposal.name,
        proposal.data,
        by,
        valid_from=valid_from,
        height_uncertainty_m=f"{proposal.height_uncertainty_m:.4f}",
        reason=reason,
        unit="metre",
    )
