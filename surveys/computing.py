"""What a worker does with one claimed job: pinned bytes in, one record and one digest out."""

from __future__ import annotations

import io
import logging
from collections.abc import Callable, Iterable, Mapping
from decimal import Decimal
from functools import partial
from types import MappingProxyType
from typing import Any

import numpy as np

from compute.building import BaseChoice
from compute.coding import assign_roles
from compute.errors import Refused
from compute.measure import Measurement as Measured
from compute.measure import MeasureRequest, measure
from compute.partition import Partition
from compute.pointfiles import Points
from compute.pointfiles.edge import read_edge
from compute.records import Density, FindingLimits, KnownPoint, Shots, UncertaintyModel
from compute.walls import Wall
from inventory.crossing import decimal_tonnes, decimal_volume
from inventory.errors import BookRefused
from surveys import jobs, parsed, storage, thinned
from surveys.fieldbook_findings import findings_of_books
from surveys.fieldbook_solving import SolvedBook, bytes_named, points_of, solve_again
from surveys.models import Measurement

log = logging.getLogger(__name__)

Progress = Callable[[str, float], None]


def work(measurement_id: int, worker: str) -> bool:
    """Claim, compute and finish one job; `True` when its result was written by this call.

    A refusal of the data is the answer and final. Anything unexpected gives the job back with its reason
    and is raised again, so that it is seen in the log.
    """
    held = jobs.claim(measurement_id, worker)
    if held is None:
        return False
    try:
        with jobs.kept_alive(held):
            result = compute(Measurement.objects.get(pk=measurement_id), jobs.Progress(held))
        return jobs.finish(held, result)
    except (Refused, BookRefused) as refusal:
        jobs.fail(held, refusal)
    except jobs.LeaseLost as lost:
        log.warning("%s", lost)
    except Exception as fault:
        jobs.release(held, fault)
        raise
    return False


def compute(measurement: Measurement, progress: Progress) -> dict[str, Any]:
    """The columns of a finished measurement. Its geometry is kept by its hash before the row names it."""
    measured = measured_from(measurement, progress)
    progress("keeping", 1.0)
    path, sha256 = storage.keep_derived(organization_of(measurement), packed(measured.geometry))
    if thinned.is_large(measured.geometry):
        thinned.keep(path, measured.geometry)
    return {
        "record": measured.record,
        "digest": measured.record["digest"],
        "geometry_path": path,
        "geometry_sha256": sha256,
        **figures_of(measured.record),
    }


def figures_of(record: Mapping[str, Any]) -> dict[str, Decimal | None]:
    """The printed figures of a record: m³ and tonnes to three decimals, uncertainties at k = 2.

    `net_m3` is the difference of the rounded parts, so that the three printed figures always add up.
    Raises the book's `NumberNotFinite`.
    """
    above_m3 = decimal_volume(record["above_base_m3"])
    below_m3 = decimal_volume(record["below_base_m3"])
    tonnes, u95_t = record["tonnes"], record["uncertainty"]["tonnes"]
    return {
        "above_m3": above_m3,
        "below_m3": below_m3,
        "net_m3": above_m3 - below_m3,
        "u95_m3": decimal_volume(record["uncertainty"]["net_m3"]),
        "tonnes": None if tonnes is None else decimal_tonnes(tonnes),
        "u95_t": None if tonnes is None else decimal_tonnes(u95_t),
    }


def recompute(measurement: Measurement) -> str:
    """The digest once more, from the received bytes and the other pinned inputs alone: equal to `digest`
    while it stands."""
    digest: str = measured_from(measurement, lambda stage, share: None, from_bytes=True).record["digest"]
    return digest


def geometry_of(measurement: Measurement, *names: str) -> dict[str, np.ndarray]:
    """The arrays for drawings and exports, or those of `names`, checked against their hash."""
    name = f"geometry of {measurement}"
    data = storage.read_checked(measurement.geometry_path, measurement.geometry_sha256, name)
    with np.load(io.BytesIO(data), allow_pickle=False) as arrays:
        return {key: arrays[key] for key in names or arrays.files}


def drawn_of(measurement: Measurement) -> dict[str, np.ndarray]:
    """The arrays for a picture: those of `geometry_of`, thinned for a large pile (`thinned.thinning_of`)."""
    kept = thinned.found(measurement.geometry_path)
    if kept is not None:
        return kept
    arrays = geometry_of(measurement)
    return thinned.keep(measurement.geometry_path, arrays) if thinned.is_large(arrays) else arrays


def measured_from(measurement: Measurement, progress: Progress, *, from_bytes: bool = False) -> Measured:
    progress("reading", 0.0)
    request = request_from(measurement.request, organization_of(measurement), from_bytes)
    return measure(request, progress)


def organization_of(measurement: Measurement) -> int:
    return int(measurement.survey.site.organization_id)


def packed(arrays: Mapping[str, np.ndarray]) -> bytes:
    out = io.BytesIO()
    np.savez_compressed(out, **arrays)
    return out.getvalue()


# --- from the pins to the calculator's own records -------------------------------------------------


def request_from(pins: Mapping[str, Any], organization_id: int, from_bytes: bool = False) -> MeasureRequest:
    """What the pins ask for. `from_bytes`: nothing that was worked out from received bytes is used."""
    rules = tuple(tuple((pattern, role) for pattern, role in tier) for tier in pins["rules"])
    edge = pins["edge"]
    books = books_of(pins["files"], organization_id)
    return MeasureRequest(
        top=shots_of(pins["files"], rules, organization_id, books, from_bytes),
        also=partial(findings_of_books, tuple(books.values()), rules),
        base=base_choice(pins["base"], rules, organization_id),
        edge=edge and read_edge(bytes_named(edge, organization_id), edge["name"], edge["unit"]),
        outline=ring(pins["outline"]),
        split=any(file["whole_yard"] for file in pins["files"]),
        other_outlines={code: ring(outline) for code, outline in pins["other_outlines"].items()},
        control=tuple(known_point(point) for point in pins["control"]),
        density=density_from(pins["density"]),
        model=UncertaintyModel(**pins["model"]),
        limits=FindingLimits(**pins["limits"]),
        declared_unit=pins["files"][0]["unit"],
        walls=tuple(wall_from(pin) for pin in pins.get("walls", ())),
        partition=partition_from(pins.get("partition")),
    )


def books_of(files: Iterable[Mapping[str, Any]], organization_id: int) -> dict[str, SolvedBook]:
    """The field books among the files, reduced as they are pinned, by the hash of their bytes."""
    return {file["sha256"]: solve_again(file, organization_id) for file in files if "reduction" in file}


def shots_of(
    files: Iterable[Mapping[str, Any]],
    rules: Any,
    organization_id: int,
    books: Mapping[str, SolvedBook] = MappingProxyType({}),
    from_bytes: bool = True,
) -> Shots:
    return assign_roles([points_in(file, organization_id, books, from_bytes) for file in files], rules)


def points_in(
    file: Mapping[str, Any], organization_id: int, books: Mapping[str, SolvedBook], from_bytes: bool
) -> Points:
    """The points of a pinned file; that of a whole yard is read once for all its piles."""
    if "reduction" in file:
        return points_of(books[file["sha256"]])
    data = partial(bytes_named, file, organization_id)
    if from_bytes or not file["whole_yard"]:
        return parsed.read_pinned(file, data())
    return parsed.points_of(file, organization_id, data)


def base_choice(base: Mapping[str, Any], rules: Any, organization_id: int) -> BaseChoice:
    label = f"base v{base['version']}"
    if base["kind"] == "surface":
        file = {"name": base["name"], "sha256": base["sha256"], **READ_DEFAULTS, **base["read"]}
        return BaseChoice("surface", shots=shots_of([file], rules, organization_id), label=label)
    level_m = None if base["level_m"] is None else float(base["level_m"])
    return BaseChoice(base["kind"], level_m=level_m, label=label)


READ_DEFAULTS = {"columns": None, "unit": "metre", "delimiter": None, "decimal": None}


def ring(outline: list[list[float]] | None) -> Any:
    return None if outline is None else np.array(outline, dtype=np.float64)


def known_point(point: Mapping[str, Any]) -> KnownPoint:
    return KnownPoint(
        name=point["name"],
        northing_m=float(point["northing_m"]),
        easting_m=float(point["easting_m"]),
        elevation_m=float(point["elevation_m"]),
    )


def density_from(pin: Mapping[str, Any] | None) -> Density | None:
    if pin is None:
        return None
    return Density(float(pin["t_per_m3"]), float(pin["standard_uncertainty_t_per_m3"]), pin["label"])


def wall_from(pin: Mapping[str, Any]) -> Wall:
    return Wall(
        code=pin["code"],
        foot_m=np.array(pin["foot"], dtype=np.float64),
        height_m=float(pin["height_m"]),
        lean_deg=float(pin["lean_deg"]),
        repose_deg=None if pin["repose_deg"] is None else float(pin["repose_deg"]),
    )


def partition_from(pin: Mapping[str, Any] | None) -> Partition | None:
    if pin is None:
        return None
    line = np.array(pin["line"], dtype=np.float64)
    return Partition(line, pin["is_left"], float(pin["repose_deg"]), pin["other"])
