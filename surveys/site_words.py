"""Findings in the units of their site. Records keep them in metres; old ones know no other units."""

from __future__ import annotations

from typing import Any

from compute.quantities import in_units
from inventory.models import Site


def told_at(site: Site, finding: dict[str, Any]) -> str:
    """The message of a finding of a record, as the site reads it."""
    return in_units(finding["message"], finding.get("quantities", ()), site.length_unit, site.volume_unit)
