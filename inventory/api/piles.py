"""What happens to a pile after it was opened: redrawn, renamed, closed, merged, split, moved."""

from __future__ import annotations

from http import HTTPStatus
from typing import Any

from rest_framework import serializers
from rest_framework.response import Response

from inventory import piles
from inventory.api import shown as s
from inventory.api.doors import Own, Posts
from inventory.models import Material, Pile, Site

OF_PILE = ("site__organization", "material")


def ring(**more: Any) -> serializers.ListField:
    """Corners of an outline, easting and northing in metres of the site's frame."""
    corner = serializers.ListField(child=serializers.FloatField(), min_length=2, max_length=2)
    return serializers.ListField(child=corner, **more)


class OutlineGiven(serializers.Serializer):
    outline = ring()


class NameGiven(serializers.Serializer):
    name = serializers.CharField(max_length=200)


class CloseGiven(serializers.Serializer):
    on = serializers.DateField(help_text="The first day without the pile.")


class SuccessorGiven(serializers.Serializer):
    """The pile that takes over, and why. `on` is its first day."""

    code = serializers.CharField(max_length=30)
    name = serializers.CharField(max_length=200)
    on = serializers.DateField()
    reason = serializers.CharField()
    outline = ring(required=False)


class MergeGiven(SuccessorGiven):
    piles = Own(Pile, OF_PILE, many=True, allow_empty=False)


class SplitGiven(SuccessorGiven):
    """`rest_outline`: where the pile goes on with another outline than before."""

    rest_outline = ring(required=False)
    tonnes = serializers.DecimalField(
        max_digits=16, decimal_places=3, required=False, help_text="Of the pile's book, for the part."
    )


class MoveGiven(SuccessorGiven):
    site = Own(Site, ("organization",))


class BecameGiven(serializers.Serializer):
    """The pile that goes on as another material, and why. `on` is its first day."""

    material = Own(Material, ("organization",))
    code = serializers.CharField(max_length=30)
    name = serializers.CharField(max_length=200)
    on = serializers.DateField()
    reason = serializers.CharField()


class PileStep(Posts):
    """A step on a pile."""

    model, related = Pile, OF_PILE
    lookup_url_kwarg = "pile_id"
    serializer_class, status = s.PileShown, HTTPStatus.OK


class RedrawPile(PileStep):
    """Draw the outline anew; it may not lie over another pile of the same days."""

    given_class = OutlineGiven

    def act(self, given: dict[str, Any]) -> Response:
        return self.show(piles.redraw_outline(self.get_object(), given["outline"], by=self.request.user))


class RenamePile(PileStep):
    """Change the name. The code stays: it stands on certificates."""

    given_class = NameGiven

    def act(self, given: dict[str, Any]) -> Response:
        return self.show(piles.rename_pile(self.get_object(), given["name"], by=self.request.user))


class ClosePile(PileStep):
    """Close a pile after its last count. Its code is never given again."""

    given_class = CloseGiven

    def act(self, given: dict[str, Any]) -> Response:
        return self.show(piles.close_pile(self.get_object(), given["on"], by=self.request.user))


class MergePiles(Posts):
    """Close two piles or more of one site and one material and open the one they became."""

    model, related = Pile, OF_PILE
    serializer_class, given_class = s.PileShown, MergeGiven

    def act(self, given: dict[str, Any]) -> Response:
        return self.show(piles.merge_piles(given.pop("piles"), by=self.request.user, **given))


class SplitPile(PileStep):
    """Open a pile for a part of this one, which goes on."""

    given_class, status = SplitGiven, HTTPStatus.CREATED

    def act(self, given: dict[str, Any]) -> Response:
        return self.show(piles.split_pile(self.get_object(), by=self.request.user, **given))


class MovePile(PileStep):
    """Close a pile and open the one that stands elsewhere with the same material."""

    given_class, status = MoveGiven, HTTPStatus.CREATED

    def act(self, given: dict[str, Any]) -> Response:
        return self.show(piles.move_pile(self.get_object(), by=self.request.user, **given))


class ReclassifyPile(PileStep):
    """Close a pile that became another grade and open the one of that material on its ground, at cost."""

    given_class, status = BecameGiven, HTTPStatus.CREATED

    def act(self, given: dict[str, Any]) -> Response:
        return self.show(piles.reclassify_pile(self.get_object(), by=self.request.user, **given))
