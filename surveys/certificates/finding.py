"""From a number to the measurement it certifies."""

from __future__ import annotations

from django.db.models import QuerySet

from surveys.certificates.numbering import Asked
from surveys.errors import CertificateAmbiguous, NoSuchCertificate
from surveys.models import Alert, Measurement, State

CERTIFIED = (State.APPROVED, State.SUPERSEDED)


def find_certified(asked: Asked, organization: str | None = None, site: str | None = None) -> Measurement:
    """The newest approved measurement of that number, or the version asked for.

    Raises `NoSuchCertificate` with what there is instead, `CertificateAmbiguous` where several piles have it.
    """
    named = Measurement.objects.filter(pile__code=asked.pile, surveyed_on=asked.surveyed_on)
    if organization:
        named = named.filter(survey__site__organization__slug=organization)
    if site:
        named = named.filter(survey__site__code=site)
    refuse_several(asked, named)
    if asked.version is None:
        certified = named.filter(state=State.APPROVED)
    else:
        certified = named.filter(state__in=CERTIFIED, version=asked.version)
    found = with_names(certified).order_by("-version").first()
    if found is None:
        raise NoSuchCertificate(f"{refused_words(asked, named)} Nothing was written.", where=asked.number)
    return found


def with_names(measurements: QuerySet[Measurement]) -> QuerySet[Measurement]:
    return measurements.select_related(
        "survey__site__organization",
        "pile__material",
        "density",
        "base_version",
        "prepared_by",
        "reviewed_by",
        "approved_by",
        "certificate",
    )


def refuse_several(asked: Asked, named: QuerySet[Measurement]) -> None:
    owners = (
        named.order_by("survey__site__organization__slug", "survey__site__code")
        .values_list("survey__site__organization__slug", "survey__site__code")
        .distinct()
    )
    if len(owners) > 1:
        where = ", ".join(f"{slug} site {code}" for slug, code in owners)
        raise CertificateAmbiguous(
            f"{len(owners)} piles have the certificate number {asked.number}: {where}. Nothing was written.",
            where=asked.number,
        )


def refused_words(asked: Asked, named: QuerySet[Measurement]) -> str:
    there = list(named.order_by("version").values_list("version", "state"))
    if not there:
        return f"There is no certificate {asked.number}: nothing was measured under it."
    versions = ", ".join(f"version {version} is {State(state).label}" for version, state in there)
    which = asked.number if asked.version is None else f"{asked.number} version {asked.version}"
    return f"There is no approved certificate {which}: {versions}."


def doubt_about(measurement: Measurement) -> str:
    """What was found when figures of this pile and day were recomputed and came out otherwise."""
    open_alert = Alert.objects.filter(
        pile=measurement.pile_id,
        due_on=measurement.surveyed_on,
        kind=Alert.Kind.NOT_REPRODUCIBLE,
        resolved_at__isnull=True,
    ).first()
    return open_alert.message if open_alert else ""


def replacement_of(measurement: Measurement) -> Measurement | None:
    """The approved or superseded measurement that replaced this one; None while it stands."""
    return (
        Measurement.objects.filter(supersedes=measurement, state__in=CERTIFIED)
        .select_related("pile")
        .order_by("version")
        .first()
    )
