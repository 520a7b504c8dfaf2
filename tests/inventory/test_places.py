"""Sites and materials: unique codes, settings that are checked before anything changes."""

from __future__ import annotations

import datetime as dt

import pytest

from inventory import places
from inventory.errors import BadEntry, NameTaken, NotAllowed
from inventory.models import Role


def test_a_site_keeps_its_settings(company):
    site = company.site(
        "KTV",
        timezone="America/Denver",
        length_unit="foot",
        volume_unit="cubic-yard",
        mass_unit="short-ton",
        code_rules={"toe": ["EDGE*"]},
        survey_every_days=None,
        day_end=dt.time(6),
    )
    site.refresh_from_db()
    assert (site.length_unit, site.volume_unit, site.mass_unit) == ("foot", "cubic-yard", "short-ton")
    assert (site.timezone, site.zone.key, site.day_end) == ("America/Denver", "America/Denver", dt.time(6))
    assert (site.code_rules, site.survey_every_days) == ({"toe": ["EDGE*"]}, None)
    places.change_site(site, by=company.manager, survey_every_days=28, name="Kettle yard")
    site.refresh_from_db()
    assert (site.survey_every_days, site.name, site.mass_unit) == (28, "Kettle yard", "short-ton")


@pytest.mark.parametrize(
    "settings",
    [
        {"timezone": "Mars/Base"},
        {"timezone": "../etc/passwd"},
        {"timezone": ""},
        {"length_unit": "yard"},
        {"volume_unit": "metre"},
        {"mass_unit": "kilogram"},
        {"survey_every_days": 0},
        {"survey_every_days": 5000},
        {"code_rules": ["TOE"]},
        {"limits": "none"},
        {"day_end": "06:00"},
        {"name": " "},
    ],
)
def test_impossible_settings_change_nothing(company, settings):
    site = company.site()
    with pytest.raises(BadEntry) as refused:
        places.change_site(site, by=company.manager, **settings)
    assert refused.value.where in settings
    before = (site.name, site.timezone)
    site.refresh_from_db()
    assert (site.name, site.timezone) == before
    with pytest.raises(BadEntry):
        company.site("NEW", **settings)
    assert company.organization.sites.count() == 1


def test_a_setting_that_does_not_exist_is_a_fault_of_the_code(company):
    with pytest.raises(TypeError, match="code"):
        places.change_site(company.site(), by=company.manager, code="NEW")


def test_codes_are_unique_within_an_organization_only(cast):
    cast.a.site("DRV"), cast.a.material("M1")
    with pytest.raises(NameTaken):
        cast.a.site("DRV")
    with pytest.raises(NameTaken):
        cast.a.material("M1")
    cast.b.site("DRV"), cast.b.material("M1")


def test_a_material_is_renamed_and_keeps_its_code(company):
    material = places.rename_material(
        company.material("M1", "Fines"), "Crusher fines 0/4", by=company.manager
    )
    material.refresh_from_db()
    assert (material.code, material.name) == ("M1", "Crusher fines 0/4")


def test_only_those_who_may_keep_sites_and_materials(cast):
    company = cast.a
    site, material = company.site(), company.material()
    for user in [*(company.people[r] for r in set(Role) - {Role.MANAGER, Role.LEAD_SURVEYOR}), cast.outsider]:
        for attempt in (
            lambda by: places.open_site(company.organization, code="X", name="X", by=by),
            lambda by: places.change_site(site, name="X", by=by),
            lambda by: places.add_material(company.organization, code="X", name="X", by=by),
            lambda by: places.rename_material(material, "X", by=by),
        ):
            with pytest.raises(NotAllowed):
                attempt(user)


@pytest.mark.parametrize("code", ["A/B", "..", "."])
def test_a_code_can_stand_in_an_address(code, company):
    """Codes are parts of addresses: one with a slash would take the page of the whole stock down."""
    material = company.material()
    site = company.site()
    for refused in (
        lambda: company.site(code),
        lambda: company.material(code),
        lambda: company.pile(site, material, code),
    ):
        with pytest.raises(BadEntry, match="address"):
            refused()
