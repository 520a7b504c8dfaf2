"""Somebody of another organization tries every address with the ids of ours. What gets through is told.

Nothing here is a list of pages: addresses come from the URL table, ids and texts from the rows.
"""

from __future__ import annotations

import html
import json
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any

from django.apps import apps
from django.core.files.uploadedfile import SimpleUploadedFile
from django.db import models
from django.test import Client
from knox.models import AuthToken

from inventory import gates
from inventory.accounts import PARTS
from inventory.adjusting import REASONS
from inventory.explaining import CAUSES
from inventory.journals import CASES
from inventory.models import Organization, Role, User
from tests.api.urltable import Route
from tests.surveys.scene import HEADER

SHORTEST_TELLING_TEXT = 6
WRITES = ("post", "patch", "put", "delete")
SHUT = (403, 404, 405)
"""405 comes before anything is looked up: the address takes no such method from anybody."""


def scoped_models() -> list[Any]:
    return [model for model in apps.get_models() if hasattr(model, "organization_path")]


def rows_of(organization: Organization) -> Iterator[tuple[Any, Any]]:
    for model in scoped_models():
        rows = model._base_manager.filter(**{model.organization_path: organization.pk})
        yield model, rows.order_by("pk")


def fingerprint(organization: Organization) -> str:
    """All that the organization has, and the tokens of its people."""
    everything = [(model.__name__, list(rows.values())) for model, rows in rows_of(organization)]
    people = User.objects.filter(memberships__organization=organization)
    everything.append(("tokens", list(AuthToken.objects.filter(user__in=people).values().order_by("pk"))))
    return json.dumps(everything, default=str, sort_keys=True)


def telling_texts(organization: Organization) -> set[str]:
    """Texts in its rows by which somebody would know them: no choices, and not too short."""
    found: set[str] = set()
    words_of_the_service: set[str] = {*Role.values, *PARTS, *CASES, *gates.WORDS, *CAUSES, *REASONS}
    for model, rows in rows_of(organization):
        for each in model._meta.fields:
            words_of_the_service |= {str(value) for value, _ in each.choices or ()}
        for each in model._meta.fields:
            if isinstance(each, models.CharField | models.TextField | models.UUIDField) and not each.choices:
                found |= {str(value) for value in rows.values_list(each.name, flat=True) if value}
    return {text for text in found - words_of_the_service if len(text) >= SHORTEST_TELLING_TEXT}


@dataclass
class Intruder:
    """`user` tries; `values` are ids and codes of `victim` by parameter, `neutral` those of nobody."""

    user: User
    victim: Organization
    own: Organization
    values: dict[str, list[Any]]
    neutral: dict[str, list[Any]]
    tried: int = 0
    got_through: list[str] = field(default_factory=list)

    def walk(self, table: list[Route]) -> list[str]:
        texts = telling_texts(self.victim) - telling_texts(self.own)
        assert len(texts) > 20, "too few texts to know a leak by"
        before = fingerprint(self.victim)
        for route in table:
            names_a_thing = any(name in self.values for name in route.parameters)
            for address in route.addresses(self.values | self.neutral):
                self._try(address, names_a_thing, texts)
            if fingerprint(self.victim) != before:
                self.got_through.append(f"{route.template} changed what is not theirs")
                before = fingerprint(self.victim)
        return self.got_through

    def _try(self, address: str, names_a_thing: bool, texts: set[str]) -> None:
        client = Client()
        client.force_login(self.user)
        for method, how in [("get", {}), *self._writes()]:
            answer = getattr(client, method)(address, **how)
            self.tried += 1
            if names_a_thing and answer.status_code not in SHUT:
                self.got_through.append(f"{method} {address} answers {answer.status_code}")
            body = _body(answer)
            told = sorted(t for t in texts if t in body or html.escape(t) in body)
            # Their own words come back to them: what the address itself says is no news.
            told = [text for text in told if text not in address]
            if told:
                self.got_through.append(f"{method} {address} tells {told[:3]}")

    def _writes(self) -> Iterator[tuple[str, dict[str, Any]]]:
        for method in WRITES:
            yield method, {"data": json.dumps(self._given()), "content_type": "application/json"}
        file = SimpleUploadedFile("mine.csv", f"{HEADER}\n1,1,1,1,TOE\n".encode())
        yield "post", {"data": {**self._given(), "file": file, "files": file}}

    def _given(self) -> dict[str, Any]:
        """One body for every door: their own new names, and our ids wherever one is taken."""
        ids = {name.removesuffix("_id"): values[0] for name, values in self.values.items()}
        words = {"name": "Taken over", "reason": "because", "method": "total-station", "note": "n"}
        dates = dict.fromkeys(("valid_from", "opened_on", "surveyed_on", "date", "closed_on"), "2025-07-01")
        figures = {"t_per_m3": "2.5", "grade": "B", "kind": "level", "level_m": "1", "unit": "metre"}
        figures |= {"height_uncertainty_m": "0.1", "columns": "point,northing,easting,elevation"}
        mine = {"code": "TAKEN", "organization": self.victim.slug}
        return {**ids, **words, **dates, **figures, **mine}


def _body(answer: Any) -> str:
    data = b"".join(answer.streaming_content) if answer.streaming else answer.content
    said = [data.decode("utf-8", "replace"), *(f"{name}: {value}" for name, value in answer.items())]
    return "\n".join(said)
