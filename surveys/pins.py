"""Everything a measurement depends on, as one JSON object that is written down before it is computed.

The worker reads nothing but this and the bytes whose hashes it names. So the same figure can be worked
out again in five years, when densities, bases, outlines and defaults have long been replaced.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Mapping
from dataclasses import asdict, fields
from typing import Any

import shapely
from django.db.models import Q

from compute import ALGORITHM
from compute.coding import merge_rules
from compute.errors import BadOption
from compute.records import FindingLimits, UncertaintyModel
from compute.uncertainty import model_for
from inventory import basing, density, yards
from inventory.errors import DensityStateMismatch, NoDensityInForce
from inventory.models import BaseVersion, DensityRecord, PartitionLine, Pile, Site, Wall
from surveys.errors import NothingRead
from surveys.models import BookReduction, ControlPoint, Survey, SurveyFile
from surveys.splitting import touched_codes


def pinned(survey: Survey, pile: Pile) -> tuple[dict[str, Any], BaseVersion, DensityRecord | None]:
    """The request of one pile of one survey, with the base and the density in force on its date.

    Raises `NothingRead`, `BadOption`, and the book's `NoBaseInForce`. A missing density stops nothing:
    the volume stands, and the request keeps why there are no tonnes.
    """
    base = basing.base_in_force(pile, survey.surveyed_on)
    density_record, no_density = density_on(pile, survey.surveyed_on)
    site = survey.site
    partition = yards.partition_on(pile, survey.surveyed_on)
    partner = None if partition is None else other_side(partition, pile)
    request = {
        "site": site.code,
        "pile": pile.code,
        "surveyed_on": survey.surveyed_on.isoformat(),
        "method": survey.method,
        **files_of(survey, pile, partner),
        "rules": [[list(pair) for pair in tier] for tier in merge_rules(site.code_rules)],
        "outline": heap_outline(pile, partner),
        "other_outlines": other_outlines(pile, survey.surveyed_on, partner),
        "base": base_as_pinned(base),
        "density": density_record and density_as_pinned(density_record),
        "no_density": no_density,
        "control": control_on(site, survey.surveyed_on),
        "model": model_of(survey, base),
        "limits": limits_of(survey),
        "algorithm": ALGORITHM,
        **walls_as_pinned(yards.walls_on(pile, survey.surveyed_on)),
        **({} if partition is None else partition_as_pinned(partition, pile)),
    }
    return request, base, density_record


def density_on(pile: Pile, day: dt.date) -> tuple[DensityRecord | None, dict[str, Any] | None]:
    try:
        return density.density_in_force(pile, day), None
    except (NoDensityInForce, DensityStateMismatch) as refusal:
        return None, refusal.as_dict()


# --- files ---------------------------------------------------------------------------------------


def files_of(survey: Survey, pile: Pile, partner: Pile | None = None) -> dict[str, Any]:
    """The point files and the drawn edge that concern `pile`, in the order of their hashes.

    With a `partner` beyond a partition, the shots of both make one heap.
    """
    heap = [pile] if partner is None else [pile, partner]
    of_pile = SurveyFile.objects.filter(Q(pile__in=heap) | Q(pile__isnull=True), survey=survey)
    of_pile = of_pile.exclude(purpose=SurveyFile.Purpose.STORED)
    live = list(of_pile.filter(set_aside_at__isnull=True).select_related("stored_file"))
    refuse_unclear(live, pile)
    refuse_without_shots(live, pile)
    read = [file for file in live if file.state == SurveyFile.State.READ and touches(file, pile)]
    shots = [file for file in read if file.purpose in SurveyFile.WITH_SHOTS]
    if not shots:
        raise NothingRead(
            f"No file of the survey of {survey.surveyed_on} holds shots of {pile.code} that could be read. "
            "Nothing was measured.",
            where=pile.code,
        )
    edges = [f for f in read if f.purpose == SurveyFile.Purpose.EDGE and f.pile_id in (None, pile.pk)]
    return {
        "files": pinned_files(sorted(shots, key=lambda file: file.stored_file.sha256)),
        # The last one drawn is meant; the others stay with the survey.
        "edge": file_as_pinned(edges[-1]) if edges else None,
    }


def refuse_unclear(files: Iterable[SurveyFile], pile: Pile) -> None:
    """A file that waits for a choice may hold half of the pile; without it that half would be lost."""
    waiting = [file.name for file in files if file.state == SurveyFile.State.UNCLEAR]
    if waiting:
        raise NothingRead(
            f"{', '.join(waiting)} may hold shots of {pile.code}, but the columns are not settled. "
            "Nothing was measured.",
            where=waiting[0],
            remedy="Choose the columns of the file, or set it aside with a reason.",
        )


def refuse_without_shots(files: Iterable[SurveyFile], pile: Pile) -> None:
    """A field book that does not close, or hangs on nothing, may hold half of the pile as well."""
    books = [file for file in files if file.purpose == SurveyFile.Purpose.FIELD_BOOK and file.points_n]
    live = newest_reductions(books)
    waiting = [
        file
        for file in books
        if file.state == SurveyFile.State.READ and not (file.pk in live and live[file.pk].gives_shots)
    ]
    if waiting:
        raise NothingRead(
            f"{', '.join(file.name for file in waiting)} may hold shots of {pile.code}, but gives none: it "
            "does not close, or is not reduced. Nothing was measured.",
            where=waiting[0].name,
            remedy="Correct the book in a new version, accept its misclosure with a reason, or set it aside.",
        )


def newest_reductions(books: Iterable[SurveyFile]) -> dict[int, BookReduction]:
    """The newest version of each book that was neither sent back nor superseded, in one query."""
    ids = [book.pk for book in books]
    if not ids:
        return {}
    rows = BookReduction.objects.filter(file__in=ids).live().order_by("version").defer("record")
    return {reduction.file_id: reduction for reduction in rows}


def pinned_files(files: list[SurveyFile]) -> list[dict[str, Any]]:
    """Point files as they are read; field books with the reduction that they came to."""
    live = newest_reductions(file for file in files if file.purpose == SurveyFile.Purpose.FIELD_BOOK)
    return [
        {**file_as_pinned(file), **({"reduction": _reduction(live[file.pk])} if file.pk in live else {})}
        for file in files
    ]


def _reduction(reduction: BookReduction) -> dict[str, Any]:
    return {
        "id": reduction.pk,
        "version": reduction.version,
        "digest": reduction.digest,
        "request": reduction.request,
    }


def touches(file: SurveyFile, pile: Pile) -> bool:
    return file.pile_id is not None or pile.code in touched_codes(file.split)


def file_as_pinned(file: SurveyFile) -> dict[str, Any]:
    return {
        "name": file.name,
        "sha256": file.stored_file.sha256,
        "bytes": file.stored_file.bytes,
        "columns": file.columns,
        "unit": file.unit,
        "delimiter": file.delimiter or None,
        "decimal": file.decimal or None,
        "whole_yard": file.pile_id is None,
    }


# --- the book, on the date -----------------------------------------------------------------------


def base_as_pinned(base: BaseVersion) -> dict[str, Any]:
    return {
        "id": base.pk,
        "version": base.version,
        "kind": base.kind,
        "level_m": None if base.level_m is None else str(base.level_m),
        "height_uncertainty_m": str(base.height_uncertainty_m),
        "name": base.evidence_name,
        "sha256": base.evidence_sha256,
        "read": base.evidence_read,
    }


def density_as_pinned(record: DensityRecord) -> dict[str, Any]:
    return {
        "id": record.pk,
        "label": record.label,
        "t_per_m3": str(record.t_per_m3),
        "standard_uncertainty_t_per_m3": str(record.standard_uncertainty_t_per_m3),
        "state": record.state,
        "moisture_basis": record.moisture_basis,
        "grade": record.grade,
    }


def other_side(partition: PartitionLine, pile: Pile) -> Pile:
    return partition.right if partition.left_id == pile.pk else partition.left


def walls_as_pinned(walls: Iterable[Wall]) -> dict[str, Any]:
    """Nothing where there are none, so that requests from before there were walls stay what they are."""
    pinned = [
        {
            "id": wall.pk,
            "code": wall.code,
            "foot": wall.foot,
            "height_m": str(wall.height_m),
            "lean_deg": str(wall.lean_deg),
            "repose_deg": None if wall.repose_deg is None else str(wall.repose_deg),
        }
        for wall in walls
    ]
    return {"walls": pinned} if pinned else {}


def partition_as_pinned(partition: PartitionLine, pile: Pile) -> dict[str, Any]:
    return {
        "partition": {
            "id": partition.pk,
            "line": partition.line,
            "is_left": partition.left_id == pile.pk,
            "repose_deg": str(partition.repose_deg),
            "other": other_side(partition, pile).code,
        }
    }


def heap_outline(pile: Pile, partner: Pile | None) -> Any:
    """The outline of the pile; of a divided heap one ring round both piles."""
    if partner is None or not pile.outline or not partner.outline:
        return pile.outline or None
    both = shapely.union_all([shapely.Polygon(each.outline) for each in (pile, partner)])
    whole = both if both.geom_type == "Polygon" else both.convex_hull
    return shapely.get_coordinates(shapely.get_exterior_ring(whole))[:-1].tolist()


def other_outlines(pile: Pile, day: dt.date, partner: Pile | None = None) -> dict[str, Any]:
    heap = [pile.pk] if partner is None else [pile.pk, partner.pk]
    neighbours = Pile.objects.filter(site=pile.site_id).open_on(day).exclude(pk__in=heap).order_by("code")
    return {code: outline for code, outline in neighbours.values_list("code", "outline") if outline}


def control_on(site: Site, day: dt.date) -> list[dict[str, Any]]:
    known = ControlPoint.objects.filter(site=site).in_force_on(day).order_by("name")
    return [
        {
            "name": point.name,
            "northing_m": str(point.northing_m),
            "easting_m": str(point.easting_m),
            "elevation_m": str(point.elevation_m),
        }
        for point in known
    ]


# --- how sure, and where findings begin ------------------------------------------------------------


def model_of(survey: Survey, base: BaseVersion) -> dict[str, Any]:
    """The method's defaults, overridden by the base's own uncertainty, then the site, then the survey."""
    model = asdict(model_for(survey.method))
    model["height_bias_base_m"] = float(base.height_uncertainty_m)
    return overridden(model, survey.site.uncertainty, survey.uncertainty, "uncertainty", UncertaintyModel)


def limits_of(survey: Survey) -> dict[str, Any]:
    return overridden(asdict(FindingLimits()), survey.site.limits, survey.limits, "limits", FindingLimits)


def overridden(
    defaults: dict[str, Any],
    by_site: Mapping[str, Any],
    by_survey: Mapping[str, Any],
    what: str,
    kind: type[UncertaintyModel | FindingLimits],
) -> dict[str, Any]:
    names = {field.name for field in fields(kind)}
    given = {**by_site, **by_survey}
    unknown = sorted(given.keys() - names)
    if unknown:
        raise BadOption(
            f"{', '.join(unknown)} is no {what} of a survey. Nothing was measured.",
            where=what,
            remedy=f"Use one of {', '.join(sorted(names))}.",
        )
    return {**defaults, **given}
