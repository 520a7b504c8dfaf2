"""Hazard cards, shown before anything that sends a person onto a pile."""

from __future__ import annotations

from typing import Any

from django import template
from django.utils import timezone

from inventory.hazards import FOLLOWS_RULES, cards_of
from inventory.models import Pile, Site

register = template.Library()


@register.inclusion_tag("parts/hazard_cards.html")
def hazards_of_site(site: Site) -> dict[str, Any]:
    """The cards of all piles that are there today; those without an entry are named too."""
    piles = Pile.objects.filter(site=site).open_on(site.date_of(timezone.now())).order_by("code")
    return _shown(list(piles), is_list=True)


@register.inclusion_tag("parts/hazard_cards.html")
def hazards_of_pile(pile: Pile) -> dict[str, Any]:
    return _shown([pile], is_list=False)


def _shown(piles: list[Pile], *, is_list: bool) -> dict[str, Any]:
    cards = cards_of(piles)
    return {
        "cards": [card for card in cards if not card.is_empty],
        "without": [card.pile.code for card in cards if card.is_empty],
        "is_list": is_list,
        "follows_rules": FOLLOWS_RULES,
    }
