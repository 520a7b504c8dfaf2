"""Nobody sees anything of an organization they do not belong to today. Models are found, not listed."""

from __future__ import annotations

import datetime as dt

import pytest
from django.apps import apps
from django.contrib.auth.models import AnonymousUser
from django.utils import timezone

from inventory import hazards, limits, piles
from inventory.models import ExportBatch, KeptAnswer, KeptExport, Membership, PeriodStep, Role
from tests.cast import person
from tests.inventory.money_scene import rows_of_money
from tests.inventory.month_scene import rows_of_months
from tests.inventory.yardbook import rows_of_movements
from tests.surveys.yards_scene import rows_of_yards

MODELS = [
    model
    for model in apps.get_app_config("inventory").get_models()
    # A kept answer is its asker's alone, in whatever organization they asked.
    if not model._meta.auto_created and model is not KeptAnswer
]


@pytest.fixture
def filled(cast):
    """At least one row of every model in both organizations."""
    for company in (cast.a, cast.b):
        for role in (Role.ACCOUNTANT, Role.CONTROLLER):
            if role not in company.people:
                company.people[role] = person(f"other-{role}", company.organization, role)
        site, material = company.site(), company.material()
        record = company.density(material)
        first, second = (company.pile(site, material, f"P{n}") for n in (1, 2))
        company.base(first)
        company.count(first, dt.date(2025, 3, 31), record=record)
        books_of(company, company.pile(site, material, "P9"), dt.date(2025, 3, 31))
        piles.merge_piles(
            [first, second],
            code="P3",
            name="Both",
            on=dt.date(2025, 7, 1),
            by=company.manager,
            reason="ran together",
        )
    return cast


def books_of(company, pile, day):
    """Rows of everything that month end keeps."""
    rows_of_movements(company, pile)
    rows_of_yards(company, pile)
    hazards.record_hazard(pile, "feeder", "under the west third", company.manager)
    limits.propose_limit(
        site=pile.site, pile=pile, quantity="height", operator="max", given=7, unit="metre", source="Permit",
        consequence="tipping stops", reason="yearly", valid_from=day, by=company.surveyor,
    )  # fmt: skip
    rows_of_money(company, pile, day)
    rows_of_months(company, pile, day)
    step = PeriodStep.objects.filter(period__site=pile.site).first()
    now, sha256 = timezone.now(), "0" * 64
    KeptExport.objects.create(period=step.period, step=step, content_gz=b"", sha256=sha256, kept_at=now)
    ExportBatch.objects.create(period=step.period, form="csv", sha256=sha256, bytes=0, rows_n=0, at=now)


def test_the_walk_finds_every_model_of_the_book():
    names = {model.__name__ for model in MODELS}
    assert {
        "Organization",
        "Membership",
        "User",
        "Site",
        "Material",
        "DensityRecord",
        "DensityApproval",
    } <= names
    assert {"Pile", "PileLineage", "BaseVersion", "StockCount"} <= names


def unlike(found, wanted):
    """Names of the models for which `found(model)` is not what is wanted. One yard for all of them: it takes
    longer to make than to look at."""
    return [model.__name__ for model in MODELS if found(model) != wanted]


def test_each_sees_all_of_their_own_and_nothing_else(filled):
    def split(model):
        ours, theirs = (
            set(model.objects.for_user(user).values_list("pk", flat=True))
            for user in (filled.a.manager, filled.outsider)
        )
        everything = set(model.objects.values_list("pk", flat=True))
        return bool(ours), bool(theirs), not ours & theirs, ours | theirs == everything

    assert unlike(split, (True, True, True, True)) == []


def test_every_role_sees_the_same_rows(filled):
    def ways(model):
        rows = (model.objects.for_user(filled.a.people[role]).values_list("pk", flat=True) for role in Role)
        return len({frozenset(seen) for seen in rows})

    assert unlike(ways, 1) == []


def test_whoever_left_sees_nothing(filled):
    user = filled.a.manager
    for days, sees in ((0, False), (1, True)):
        ends_on = timezone.now().date() + dt.timedelta(days=days)
        Membership.objects.filter(user=user).update(ends_on=ends_on)
        assert unlike(lambda model: model.objects.for_user(user).exists(), sees) == []


def test_nobody_signed_in_switched_off_or_without_a_role_sees_nothing(filled):
    off = filled.a.surveyor
    off.is_active = False
    stranger = type(off).objects.create_user("stranger", is_superuser=True)
    for user in (None, AnonymousUser(), off, stranger):
        assert unlike(lambda model, user=user: model.objects.for_user(user).exists(), False) == []


def test_scoping_repeats_no_row(filled):
    Membership.objects.create(user=filled.a.manager, organization=filled.a.organization, role=Role.CONTROLLER)

    def repeats(model):
        rows = list(model.objects.for_user(filled.a.manager).values_list("pk", flat=True))
        return len(rows) - len(set(rows))

    assert unlike(repeats, 0) == []


def test_a_kept_answer_is_its_askers_alone(cast):
    for user in (cast.a.manager, cast.a.surveyor):
        KeptAnswer.objects.create(user=user, key="once", asked_sha256="0" * 64)
    (mine,) = KeptAnswer.objects.for_user(cast.a.manager)
    assert mine.user == cast.a.manager
    assert not KeptAnswer.objects.for_user(AnonymousUser()).exists()
