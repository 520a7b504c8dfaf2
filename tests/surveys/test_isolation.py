"""Two organizations never see each other's evidence; found by walking the models, not by a list."""

from __future__ import annotations

import datetime as dt
from typing import Any

from django.apps import apps
from django.contrib.auth.models import AnonymousUser
from django.db import models
from django.utils import timezone

from compute.traverse.corrections import SetupCorrection as Correction
from surveys import due_alerts, fieldbooks, intake, review, surface_facts
from surveys.certificates import particulars
from surveys.models import AlertMail, ControlPoint, FindingAcceptance, WorkerBeat
from tests.cast import Cast
from tests.surveys.book_scene import book as field_book
from tests.surveys.book_scene import known, received
from tests.surveys.scene import DAY, Yard, heap, yard_of

MODELS = sorted(apps.get_app_config("surveys").get_models(), key=lambda model: model.__name__)


def evidence_in(yard: Yard) -> None:
    """At least one row of every model of this room."""
    measurement = yard.computed()
    # On another day, so that the approved one leaves that one as it is.
    approved = yard.reviewed(day=DAY - dt.timedelta(days=2))
    particulars.state_particulars(approved, yard.surveyor, {"purpose": "Monthly stock"})
    review.approve(approved, yard.lead)
    FindingAcceptance.objects.create(measurement=measurement, code="toe-gap", reason="a wall", by=yard.lead)
    ControlPoint.objects.create(
        site=yard.site, name="CP1", northing_m=0, easting_m=0, elevation_m=100, valid_from=DAY
    )
    known(yard)
    book = received(yard, field_book(), DAY - dt.timedelta(days=1))
    pole = Correction("2", "target_height", 1.9, "pole read again from the photograph")
    fieldbooks.correct_setups(book, yard.surveyor, [pole], "pole of set-up 2")
    WorkerBeat.objects.get_or_create(name="machine", defaults={"seen_at": timezone.now()})
    due_alerts.raise_due(timezone.now() + dt.timedelta(days=365))
    surface_facts.look_at(measurement)
    alert = yard.site.alerts.first()
    AlertMail.objects.create(alert=alert, to=yard.lead, raised_at=alert.raised_at, sent_at=alert.raised_at)


def theirs(cast: Cast) -> Yard:
    cast.b.people.setdefault("surveyor", cast.outsider)
    return yard_of(cast.b)


def test_every_model_starts_from_the_organization(cast: Cast) -> None:
    for yard in (yard_of(cast.a), theirs(cast)):
        evidence_in(yard)
    cast.a.administrator.is_staff = True
    wrong = {model.__name__: fault for model in MODELS if (fault := _fault(cast, model.objects, model))}
    assert wrong == {}


def _fault(cast: Cast, rows: Any, model: type[models.Model]) -> str:
    """What is wrong with the reach of a model's rows, in words; empty where nothing is."""
    if not rows.exists():
        return "has no row to hide"
    if rows.for_user(AnonymousUser()).exists():
        return "shows itself to nobody in particular"
    if model is WorkerBeat:
        # Machines belong to no organization; only the installation's staff see them.
        seen = [rows.for_user(person).exists() for person in (cast.a.surveyor, cast.a.administrator)]
        return "" if seen == [False, True] else "is not for staff alone"
    ours = set(rows.for_user(cast.a.surveyor).values_list("pk", flat=True))
    others = set(rows.for_user(cast.outsider).values_list("pk", flat=True))
    if not ours or not others or ours & others:
        return "is not shown to each of the two for themselves"
    if ours | others != set(rows.values_list("pk", flat=True)):
        return "has rows that nobody sees"
    astray = [pk for pk in ours if organization_of(rows.get(pk=pk)) != cast.a.organization]
    return f"rows {astray} lead to another organization" if astray else ""


def organization_of(row: Any) -> Any:
    found = row
    for step in row.organization_path.split("__"):
        found = getattr(found, step)
    return found


def test_a_former_member_sees_nothing(cast: Cast) -> None:
    yard = yard_of(cast.a)
    survey = yard.survey()
    intake.receive_file(survey, "a.csv", heap(), yard.surveyor, yard.pile)
    membership = cast.a.surveyor.memberships.get()
    membership.ends_on = DAY
    membership.save()
    assert not type(survey).objects.for_user(cast.a.surveyor).exists()
