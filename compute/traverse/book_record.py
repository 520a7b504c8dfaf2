"""The record of a solved field book: what the contract prints, what went into it, and one hash for all.

The hash knows every observation in the order of the book, every correction, every setting and every figure
to a ten-millionth of the book's unit. It does not know the name of the file, its notes, or on how many
threads it was solved.
"""

from __future__ import annotations

import dataclasses
import hashlib
from typing import Any

from compute import ALGORITHM
from compute.digest import digest
from compute.traverse.resection import FreeStation
from compute.traverse.solve import TraverseRequest, TraverseResult

KEPT_DECIMALS = 7
"""Of figures in the hash: far below any observation, far above the last bits of a matrix inverse."""


def book_record(result: TraverseResult) -> dict[str, Any]:
    """Plain data, deterministic: the record of `solve_traverse` with `kind`, `form`, `free_stations`,
    `corrections`, `settings`, `inputs`, `algorithm` and `digest`. Each shot names the corrections (by their
    number from 1) that its set-up had."""
    request = result.request
    corrections = [c.as_dict() for c in request.corrections]
    figures = {
        **{key: value for key, value in result.record.items() if key != "findings"},
        "free_stations": [_free_station(s) for s in result.free_stations],
    }
    if "shots" in figures:
        figures["shots"] = [
            {**shot, "corrections": _numbers(request, shot["setup"])} for shot in figures["shots"]
        ]
    settings = _settings(request)
    content = {
        "algorithm": ALGORITHM,
        "observations": _observations(result),
        "corrections": corrections,
        "settings": settings,
        "figures": rounded(figures),
        "findings": sorted([f["code"], f["severity"], f["where"]] for f in result.record["findings"]),
    }
    return {
        "form": result.form,
        "kind": result.run.closure.kind,
        **figures,
        "corrections": corrections,
        "settings": settings,
        "findings": result.record["findings"],
        "inputs": [
            {
                "name": request.name,
                "bytes": len(request.data),
                "sha256": hashlib.sha256(request.data).hexdigest(),
            }
        ],
        "algorithm": ALGORITHM,
        "digest": digest(content),
    }


def rounded(value: Any) -> Any:
    """The same plain data with every float to `KEPT_DECIMALS`, and no negative zero."""
    if isinstance(value, float):
        return round(value, KEPT_DECIMALS) + 0.0
    if isinstance(value, dict):
        return {key: rounded(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [rounded(item) for item in value]
    return value


def _numbers(request: TraverseRequest, setup: str) -> list[int]:
    return [i for i, c in enumerate(request.corrections, start=1) if c.setup == setup]


def _free_station(station: FreeStation) -> dict[str, Any]:
    plain = dataclasses.asdict(station)
    plain["residuals"] = [dataclasses.asdict(r) for r in station.residuals]
    for key in ("dropped", "cautions"):
        plain[key] = list(plain[key])
    return plain


def _settings(request: TraverseRequest) -> dict[str, Any]:
    return {
        "unit": request.unit,
        "angle_unit": request.angle_unit,
        "rule": request.rule,
        "limits": dataclasses.asdict(request.limits),
        "precision": dataclasses.asdict(request.precision),
        "accept_reason": request.accept_reason,
        "edm": dataclasses.asdict(request.edm),
        "edm_by_setup": {k: dataclasses.asdict(v) for k, v in sorted(request.edm_by_setup.items())},
        "refraction_k": request.refraction_k,
        "known_stations": [[n, *p] for n, p in sorted(request.control.stations.items())],
        "known_azimuths": [[a, b, v] for (a, b), v in sorted(request.control.azimuths.items())],
    }


def _observations(result: TraverseResult) -> list[list[Any]]:
    """The rows as read, without line numbers and notes."""
    file = result.file
    rows: tuple[Any, ...] = file.courses or file.angles or file.sights
    return [[v for k, v in dataclasses.asdict(row).items() if k not in ("line", "note")] for row in rows]
