"""A surveyed ground as the base of a pile: its bytes kept and read here, its validity kept by the book."""

from __future__ import annotations

import datetime as dt
from decimal import Decimal
from typing import Any

from compute.coding import assign_roles, merge_rules
from compute.errors import NothingToMeasure
from compute.pointfiles import read_points
from compute.roles import BASE_ROLES, ROLE_INDEX
from inventory import basing, rights
from inventory.models import BaseVersion, Pile
from surveys import storage
from surveys.splitting import LEAST_SHOTS


def propose_surveyed_base(
    pile: Pile,
    name: str,
    data: Any,
    by: Any,
    *,
    valid_from: dt.date,
    height_uncertainty_m: Decimal | int | str,
    reason: str,
    valid_to: dt.date | None = None,
    columns: list[str] | None = None,
    unit: str = "",
    delimiter: str = "",
    decimal: str = "",
) -> BaseVersion:
    """Keep the file of a ground survey and propose it as the pile's next base, for another to approve.

    The file must be readable as declared, or the refusal of the reader is raised and no base is
    proposed. Raises `NotAllowed`, `FileTooLarge`, `FileRefused`, `NothingToMeasure`, and what
    `basing.propose_base` raises.
    """
    organization = pile.site.organization
    rights.require(by, organization, "propose_base")
    stored, _ = storage.receive(organization, name, data, by)
    read = {
        "columns": list(columns) if columns else None,
        "unit": unit or pile.site.length_unit,
        "delimiter": delimiter or None,
        "decimal": decimal or None,
    }
    require_ground(storage.read_bytes(stored), storage.plain_name(name), read, pile)
    return basing.propose_base(
        pile=pile,
        kind=BaseVersion.Kind.SURFACE,
        valid_from=valid_from,
        valid_to=valid_to,
        height_uncertainty_m=height_uncertainty_m,
        reason=reason,
        by=by,
        evidence_sha256=stored.sha256,
        evidence_name=storage.plain_name(name),
        evidence_read=read,
    )


def require_ground(data: bytes, name: str, read: dict[str, Any], pile: Pile) -> None:
    """`NothingToMeasure` unless the file has enough shots on the ground to be a surface."""
    columns = read["columns"]
    points = read_points(data, name, **{**read, "columns": columns and tuple(columns)})
    shots = assign_roles([points], merge_rules(pile.site.code_rules))
    on_ground = sum(int((shots.role == ROLE_INDEX[role]).sum()) for role in BASE_ROLES)
    if on_ground < LEAST_SHOTS:
        raise NothingToMeasure(
            f"Only {on_ground} of {len(shots)} shots of {name} lie on the ground. No base was proposed.",
            where=name,
        )
