"""Sites and materials: opened once, their codes never change, their settings may."""

from __future__ import annotations

import datetime as dt
from typing import Any
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from django.db import transaction

from inventory.audit import record_event
from inventory.errors import BadEntry, NameTaken
from inventory.models import Material, Organization, Site, User
from inventory.rights import require
from inventory.units import LENGTH_IN_M, MASS_IN_T, VOLUME_IN_M3
from inventory.validity import required_code, required_text

SITE_SETTINGS = (
    "name",
    "timezone",
    "length_unit",
    "volume_unit",
    "mass_unit",
    "code_rules",
    "survey_method",
    "survey_every_days",
    "day_end",
    "uncertainty",
    "limits",
    "currency",
)
_UNITS = {"length_unit": LENGTH_IN_M, "volume_unit": VOLUME_IN_M3, "mass_unit": MASS_IN_T}


@transaction.atomic
def open_site(organization: Organization, *, code: str, name: str, by: User, **settings: Any) -> Site:
    """A new site; `settings` are those of `SITE_SETTINGS`. Raises `NotAllowed`, `BadEntry`, `NameTaken`."""
    require(by, organization, "keep_sites")
    code = required_code(code)
    if Site.objects.filter(organization=organization, code=code).exists():
        raise NameTaken(f"A site with the code {code} exists already. Nothing was changed.", where="code")
    site = Site(organization=organization, code=code)
    _apply(site, {"name": name, **settings})
    site.save()
    record_event(organization, by=by, verb="open_site", subject=site, detail={"code": code, "name": name})
    return site


@transaction.atomic
def change_site(site: Site, *, by: User, **settings: Any) -> Site:
    """Change some of `SITE_SETTINGS`. Units change what is shown, never what is stored.

    Raises `NotAllowed`, `BadEntry`.
    """
    require(by, site.organization, "keep_sites")
    before = {name: getattr(site, name) for name in settings if name in SITE_SETTINGS}
    _apply(site, settings)
    site.save(update_fields=sorted(settings))
    detail = {"before": before, "after": settings}
    record_event(site.organization, by=by, verb="change_site", subject=site, detail=detail)
    return site


@transaction.atomic
def add_material(organization: Organization, *, code: str, name: str, by: User) -> Material:
    """A new material. Raises `NotAllowed`, `BadEntry`, `NameTaken`."""
    require(by, organization, "keep_materials")
    code = required_code(code)
    if Material.objects.filter(organization=organization, code=code).exists():
        raise NameTaken(f"A material with the code {code} exists already. Nothing was changed.", where="code")
    material = Material.objects.create(organization=organization, code=code, name=required_text(name, "name"))
    detail = {"code": code, "name": material.name}
    record_event(organization, by=by, verb="add_material", subject=material, detail=detail)
    return material


@transaction.atomic
def rename_material(material: Material, name: str, *, by: User) -> Material:
    """Raises `NotAllowed`, `BadEntry`."""
    require(by, material.organization, "keep_materials")
    before, material.name = material.name, required_text(name, "name")
    material.save(update_fields=["name"])
    detail = {"before": before, "after": material.name}
    record_event(material.organization, by=by, verb="rename_material", subject=material, detail=detail)
    return material


def _apply(site: Site, settings: dict[str, Any]) -> None:
    unknown = sorted(set(settings) - set(SITE_SETTINGS))
    if unknown:
        raise TypeError(f"not settings of a site: {', '.join(unknown)}")
    for name, value in settings.items():
        setattr(site, name, _checked(name, value))


def _checked(name: str, value: Any) -> Any:
    if name in _UNITS and value not in _UNITS[name]:
        raise _bad(name, value, f"Choose one of: {', '.join(_UNITS[name])}.")
    if name in ("name", "survey_method"):
        return required_text(value, name)
    if name == "timezone":
        return _known_zone(value)
    if name == "currency" and value and not (len(value) == 3 and value.isascii() and value.isupper()):
        raise _bad(name, value, "Give the three capital letters of ISO 4217, or nothing.")
    if name == "survey_every_days" and value is not None and not 1 <= value <= 3660:
        raise _bad(name, value, "Give whole days from 1 to 3660, or nothing for a site without a rhythm.")
    if name in ("code_rules", "uncertainty", "limits") and not isinstance(value, dict):
        raise _bad(name, value, "Give names with their values.")
    if name == "day_end" and not isinstance(value, dt.time):
        raise _bad(name, value, "Give a time of day.")
    return value


def _known_zone(name: str) -> str:
    try:
        ZoneInfo(name)
    except (ZoneInfoNotFoundError, ValueError, OSError) as unknown:
        remedy = "Give a name of the time zone database such as Europe/Vienna, or UTC."
        raise _bad("timezone", name, remedy) from unknown
    return name


def _bad(name: str, value: object, remedy: str) -> BadEntry:
    return BadEntry(f"{name}: “{value}” is not possible. Nothing was changed.", where=name, remedy=remedy)
