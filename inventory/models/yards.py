from __future__ import annotations

from django.db import models

from inventory.models.piles import Pile
from inventory.models.status import Dated, dated_constraints
from inventory.scope import ScopedQuerySet


class Wall(Dated):
    """A wall that a pile lies against, from a day on: the face on the pile's side.

    `foot` is the foot of that face as [easting, northing, height] in metres of the site frame; walking along
    it, the material is on the left. `lean_deg` from upright: positive leans away from the material, negative
    over it. `repose_deg`: declared assumption about material behind the last contacts seen, empty for none.
    """

    organization_path = "pile__site__organization"

    pile = models.ForeignKey(Pile, on_delete=models.PROTECT, related_name="walls")
    code = models.CharField(max_length=30)
    foot = models.JSONField()
    height_m = models.DecimalField(max_digits=6, decimal_places=3)
    lean_deg = models.DecimalField(max_digits=5, decimal_places=2, default=0)
    repose_deg = models.DecimalField(max_digits=5, decimal_places=2, null=True, blank=True)

    objects = ScopedQuerySet.as_manager()

    class Meta:
        ordering = ["pile", "code", "-valid_from", "pk"]
        constraints = [
            *dated_constraints("wall"),
            models.CheckConstraint(
                condition=~models.Q(code="") & models.Q(height_m__gt=0), name="wall_is_named_and_stands"
            ),
        ]

    def __str__(self) -> str:
        return self.label

    @property
    def label(self) -> str:
        return f"{self.pile.code} wall {self.code}"


class PartitionLine(Dated):
    """Where two piles that lie against each other are divided, from a day on, by an agreed upright plane.

    `line` is [easting, northing] in metres of the site frame; `left` lies on the left, walking along it.
    `repose_deg`: the steepest lean that the true contact may have, degrees from level.
    """

    organization_path = "left__site__organization"

    left = models.ForeignKey(Pile, on_delete=models.PROTECT, related_name="partitions_on_its_right")
    right = models.ForeignKey(Pile, on_delete=models.PROTECT, related_name="partitions_on_its_left")
    line = models.JSONField()
    repose_deg = models.DecimalField(max_digits=5, decimal_places=2)

    objects = ScopedQuerySet.as_manager()

    class Meta:
        ordering = ["left", "right", "-valid_from", "pk"]
        constraints = [
            *dated_constraints("partition"),
            models.CheckConstraint(
                condition=~models.Q(left=models.F("right")), name="partition_between_two_piles"
            ),
            models.CheckConstraint(
                condition=models.Q(repose_deg__gt=0) & models.Q(repose_deg__lt=90),
                name="partition_slope_is_one",
            ),
        ]

    def __str__(self) -> str:
        return self.label

    @property
    def label(self) -> str:
        return f"partition {self.left.code} | {self.right.code}"
