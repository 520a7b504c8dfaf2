"""Asking for a measurement: the next version of a pile on a date, with all its inputs pinned."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from django.db import transaction
from django.db.models import Max

from compute.errors import Refused
from inventory import rights
from inventory.errors import BookRefused
from inventory.models import Pile
from surveys import jobs, life, review
from surveys.errors import NothingRead, ReasonNeeded
from surveys.models import JobState, Measurement, State, Survey, SurveyFile
from surveys.opening import require_pile
from surveys.pins import newest_reductions, pinned
from surveys.splitting import touched_codes


@dataclass(frozen=True)
class Asked:
    """What came of asking for all piles of a survey.

    measurements : new versions, waiting for a worker
    unchanged    : versions that stand, because their inputs are the same as before
    refused      : (pile, refusal) of those that could not be asked for; the others go on
    """

    measurements: tuple[Measurement, ...]
    unchanged: tuple[Measurement, ...]
    refused: tuple[tuple[Pile, Refused | BookRefused], ...]


def request_measurement(survey: Survey, pile: Pile, by: Any, reason: str = "") -> Measurement:
    """Ask for the next version of `pile` on the survey's date; a worker computes it.

    Earlier versions that nobody has approved are withdrawn for it. An approved one stays in force until
    the new one is approved in its place, and then `reason` must say what is corrected. Raises
    `NotAllowed`, `WrongPile`, `NothingRead`, `ReasonNeeded`, and the book's `NoBaseInForce`.
    """
    measurement = next_measurement(survey, pile, by, reason)
    # Robust: a bell that cannot ring must not turn a request that was kept into an error.
    transaction.on_commit(lambda: jobs.ring(measurement.pk), robust=True)
    return measurement


def measure_survey(survey: Survey, by: Any, reason: str = "") -> Asked:
    """Ask for every pile that the files of the survey touch; where nothing changed, the version stands."""
    rights.require(by, survey.site.organization, "compute_measurement")
    piles = piles_touched(survey)
    if not piles:
        raise NothingRead(
            f"No file of the survey of {survey.surveyed_on} holds shots of a pile. Nothing was measured.",
            where=survey.site.code,
            remedy="Send a point file, settle the columns of one that waits, or outline the piles.",
        )
    asked: list[Measurement] = []
    unchanged: list[Measurement] = []
    refused: list[tuple[Pile, Refused | BookRefused]] = []
    for pile in piles:
        try:
            standing = standing_version(survey, pile)
            if standing is not None:
                unchanged.append(standing)
            else:
                asked.append(next_measurement(survey, pile, by, reason))
        except (Refused, BookRefused) as refusal:
            refused.append((pile, refusal))
    transaction.on_commit(lambda: jobs.ring_all([one.pk for one in asked]), robust=True)
    return Asked(tuple(asked), tuple(unchanged), tuple(refused))


@transaction.atomic
def next_measurement(survey: Survey, pile: Pile, by: Any, reason: str) -> Measurement:
    """The next version with its inputs pinned, waiting; its bell is still to be rung."""
    roles = rights.require(by, survey.site.organization, "compute_measurement")
    require_pile(survey, pile)
    # One request of a pile at a time, so that two people get two versions and not one error.
    Pile.objects.select_for_update().get(pk=pile.pk)
    request, base, density = pinned(survey, pile)
    approved = approved_version(survey, pile)
    if approved is not None and not reason.strip():
        raise ReasonNeeded(
            f"Version {approved.version} of {pile} on {survey.surveyed_on} is approved and counted. A "
            "new version corrects it, so a reason is needed. Nothing was changed.",
            where=pile.code,
        )
    role = life.acting_role(roles, "compute_measurement")
    version = next_version(survey, pile)
    replace_open_versions(survey, pile, by, role, version)
    measurement = Measurement.objects.create(
        survey=survey,
        pile=pile,
        surveyed_on=survey.surveyed_on,
        version=version,
        supersedes=approved,
        request=request,
        base_version=base,
        density=density,
        prepared_by=by,
        correction_reason=reason.strip(),
    )
    life.born(measurement, by, role, reason.strip())
    return measurement


def piles_touched(survey: Survey) -> list[Pile]:
    """Piles open on the survey's date that a file names, or in whose outline a yard file has shots."""
    live = SurveyFile.objects.filter(
        survey=survey,
        purpose__in=SurveyFile.WITH_SHOTS,
        set_aside_at__isnull=True,
        state__in=[SurveyFile.State.READ, SurveyFile.State.UNCLEAR],
    )
    named: set[int] = set()
    codes: set[str] = set()
    for pile_id, split in live.values_list("pile_id", "split"):
        if pile_id is not None:
            named.add(pile_id)
            continue
        codes |= touched_codes(split)
    open_piles = Pile.objects.filter(site=survey.site_id).open_on(survey.surveyed_on).order_by("code")
    touched = open_piles.select_related("site__organization", "material")
    return [pile for pile in touched if pile.pk in named or pile.code in codes]


def standing_version(survey: Survey, pile: Pile) -> Measurement | None:
    """The latest version of this survey if it is good and its inputs are still exactly the same."""
    latest = versions(survey, pile).order_by("-version").first()
    if latest is None or latest.survey_id != survey.pk or latest.job_state == JobState.FAILED:
        return None
    if latest.state in (State.REJECTED, State.WITHDRAWN):
        return None
    request, _, _ = pinned(survey, pile)
    return latest if latest.request == request else None


def outdated(survey: Survey) -> list[Measurement]:
    """The newest measurements of a survey that rest on a reduction which another one has replaced.

    A correction of a field book moves no figure by itself: these piles are measured again on request.
    """
    rows = Measurement.objects.filter(survey=survey).exclude(state__in=[State.WITHDRAWN, State.REJECTED])
    newest: dict[int, Measurement] = {}
    for row in rows.select_related("pile").defer("record").order_by("version"):
        newest[row.pile_id] = row
    books = survey.files.filter(purpose=SurveyFile.Purpose.FIELD_BOOK, set_aside_at__isnull=True)
    live = {reduction.pk for reduction in newest_reductions(books).values()}
    return [
        row
        for row in newest.values()
        if any("reduction" in f and f["reduction"]["id"] not in live for f in row.request["files"])
    ]


def versions(survey: Survey, pile: Pile) -> Any:
    return Measurement.objects.filter(pile=pile, surveyed_on=survey.surveyed_on)


def approved_version(survey: Survey, pile: Pile) -> Measurement | None:
    found: Measurement | None = versions(survey, pile).filter(state=State.APPROVED).first()
    return found


def next_version(survey: Survey, pile: Pile) -> int:
    return (versions(survey, pile).aggregate(last=Max("version"))["last"] or 0) + 1


def replace_open_versions(survey: Survey, pile: Pile, by: Any, role: str, version: int) -> None:
    """Of one pile on one date only one version is worked on at a time."""
    for earlier in versions(survey, pile).filter(state__in=life.NOT_FINAL):
        life.move(earlier, "withdraw", by=by, role=role, comment=f"replaced by version {version}")
        review.stop_work(earlier)
