"""Nobody sees anything of an organization they do not belong to today. Models are found, not listed."""

from __future__ import annotations

import datetime as dt

import pytest
from django.apps import apps
from django.contrib.auth.models import AnonymousUser
from django.utils import timezone

from inventory import piles
from inventory.models import KeptAnswer, Membership, Role

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
        site, material = company.site(), company.material()
        record = company.density(material)
        first, second = (company.pile(site, material, f"P{n}") for n in (1, 2))
        company.base(first)
        company.count(first, dt.date(2025, 3, 31), record=record)
        piles.merge_piles(
            [first, second],
            code="P3",
            name="Both",
            on=dt.date(2025, 7, 1),
            by=company.manager,
            reason="ran together",
        )
    return cast


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


@pytest.mark.parametrize("model", MODELS, ids=lambda model: model.__name__)
def test_each_sees_all_of_their_own_and_nothing_else(filled, model):
    ours = set(model.objects.for_user(filled.a.manager).values_list("pk", flat=True))
    theirs = set(model.objects.for_user(filled.outsider).values_list("pk", flat=True))
    everything = set(model.objects.values_list("pk", flat=True))
    assert ours
    assert theirs
    assert not ours & theirs
    assert ours | theirs == everything


@pytest.mark.parametrize("model", MODELS, ids=lambda model: model.__name__)
def test_every_role_sees_the_same_rows(filled, model):
    seen = {
        frozenset(model.objects.for_user(filled.a.people[role]).values_list("pk", flat=True)) for role in Role
    }
    assert len(seen) == 1


@pytest.mark.parametrize("model", MODELS, ids=lambda model: model.__name__)
def test_whoever_left_sees_nothing(filled, model):
    user = filled.a.manager
    Membership.objects.filter(user=user).update(ends_on=timezone.now().date())
    assert not model.objects.for_user(user).exists()
    Membership.objects.filter(user=user).update(ends_on=timezone.now().date() + dt.timedelta(days=1))
    assert model.objects.for_user(user).exists()


@pytest.mark.parametrize("model", MODELS, ids=lambda model: model.__name__)
def test_nobody_signed_in_switched_off_or_without_a_role_sees_nothing(filled, model):
    off = filled.a.surveyor
    off.is_active = False
    stranger = type(off).objects.create_user("stranger", is_superuser=True)
    for user in (None, AnonymousUser(), off, stranger):
        assert not model.objects.for_user(user).exists()


@pytest.mark.parametrize("model", MODELS, ids=lambda model: model.__name__)
def test_scoping_repeats_no_row(filled, model):
    Membership.objects.create(user=filled.a.manager, organization=filled.a.organization, role=Role.CONTROLLER)
    rows = list(model.objects.for_user(filled.a.manager).values_list("pk", flat=True))
    assert len(rows) == len(set(rows))


def test_a_kept_answer_is_its_askers_alone(cast):
    for user in (cast.a.manager, cast.a.surveyor):
        KeptAnswer.objects.create(user=user, key="once", asked_sha256="0" * 64)
    (mine,) = KeptAnswer.objects.for_user(cast.a.manager)
    assert mine.user == cast.a.manager
    assert not KeptAnswer.objects.for_user(AnonymousUser()).exists()
