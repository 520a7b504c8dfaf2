from __future__ import annotations

from django.db import models
from django.db.models.functions import Length
from django.db.models.lookups import Exact

from inventory.models.materials import Material
from inventory.models.places import Site
from inventory.models.status import Dated, dated_constraints
from inventory.scope import ScopedQuerySet


class PileQuerySet(ScopedQuerySet):
    def open_on(self, day: object) -> PileQuerySet:
        """Piles that exist on `day`: opened, and not yet closed."""
        still_open = models.Q(closed_on__isnull=True) | models.Q(closed_on__gt=day)
        return self.filter(still_open, opened_on__lte=day)


class Pile(models.Model):
    """One heap of one material on one site. Its code is never given again; its name may change.

    It exists on the days `opened_on <= day < closed_on`. `outline` is a ring of [easting, northing] in
    metres of the site frame, counter-clockwise, first point not repeated; empty where none was drawn.
    `owner` is empty for the organization's own stock.
    """

    organization_path = "site__organization"

    site = models.ForeignKey(Site, on_delete=models.PROTECT, related_name="piles")
    code = models.CharField(max_length=30)
    name = models.CharField(max_length=200)
    material = models.ForeignKey(Material, on_delete=models.PROTECT, related_name="piles")
    outline = models.JSONField(default=list, blank=True)
    opened_on = models.DateField()
    closed_on = models.DateField(null=True, blank=True)
    hazards = models.TextField(blank=True)
    owner = models.ForeignKey(
        "inventory.StockOwner", on_delete=models.PROTECT, null=True, blank=True, related_name="piles"
    )

    objects = PileQuerySet.as_manager()

    class Meta:
        ordering = ["site", "code"]
        constraints = [
            models.UniqueConstraint(fields=["site", "code"], name="pile_code_unique"),
            models.CheckConstraint(condition=~models.Q(code="") & ~models.Q(name=""), name="pile_is_named"),
            models.CheckConstraint(
                condition=models.Q(closed_on__isnull=True) | models.Q(closed_on__gt=models.F("opened_on")),
                name="pile_exists_for_days",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.code} {self.name}"

    def is_open_on(self, day: object) -> bool:
        return self.opened_on <= day and (self.closed_on is None or day < self.closed_on)


class PileLineage(models.Model):
    """Where the material of a pile came from when piles merge, split, move or become another grade."""

    class Kind(models.TextChoices):
        MERGED = "merged", "merged from"
        SPLIT = "split", "split from"
        MOVED = "moved", "moved from"
        RECLASSIFIED = "reclassified", "reclassified from"

    organization_path = "from_pile__site__organization"

    from_pile = models.ForeignKey(Pile, on_delete=models.PROTECT, related_name="successors")
    to_pile = models.ForeignKey(Pile, on_delete=models.PROTECT, related_name="predecessors")
    kind = models.CharField(max_length=12, choices=Kind)
    effective_on = models.DateField()
    reason = models.TextField()

    objects = ScopedQuerySet.as_manager()

    class Meta:
        ordering = ["effective_on", "pk"]
        constraints = [
            models.UniqueConstraint(
                fields=["from_pile", "to_pile", "effective_on"], name="lineage_once_a_pair"
            ),
            models.CheckConstraint(
                condition=~models.Q(from_pile=models.F("to_pile")), name="lineage_two_piles"
            ),
            models.CheckConstraint(
                condition=models.Q(kind__in=["merged", "split", "moved", "reclassified"]),
                name="lineage_kind_known",
            ),
            models.CheckConstraint(condition=~models.Q(reason=""), name="lineage_has_reason"),
        ]

    def __str__(self) -> str:
        return f"{self.to_pile.code} {self.get_kind_display()} {self.from_pile.code} on {self.effective_on}"


class BaseVersion(Dated):
    """What a pile's volume is measured against, from a day on.

    `surface`: a surveyed ground, its file named by `evidence_sha256`, with how to read it in
    `evidence_read` (columns, unit, delimiter, decimal). `level`: the height `level_m`, site frame.
    `toe`, `plane`, `lowest-toe`: worked out from the toe shots of each survey.
    `height_uncertainty_m` is the standard uncertainty of the base as a whole, metres.
    """

    class Kind(models.TextChoices):
        SURFACE = "surface", "surveyed ground"
        LEVEL = "level", "fixed level"
        TOE = "toe", "surface through the toe shots"
        PLANE = "plane", "plane fitted to the toe shots"
        LOWEST_TOE = "lowest-toe", "level of the lowest toe shot"

    organization_path = "pile__site__organization"

    pile = models.ForeignKey(Pile, on_delete=models.PROTECT, related_name="bases")
    version = models.PositiveIntegerField()
    kind = models.CharField(max_length=12, choices=Kind)
    level_m = models.DecimalField(max_digits=9, decimal_places=4, null=True, blank=True)
    evidence_sha256 = models.CharField(max_length=64, blank=True)
    evidence_name = models.CharField(max_length=255, blank=True)
    evidence_read = models.JSONField(default=dict, blank=True)
    height_uncertainty_m = models.DecimalField(max_digits=6, decimal_places=4)

    objects = ScopedQuerySet.as_manager()

    class Meta:
        ordering = ["pile", "-version"]
        constraints = [
            *dated_constraints("base"),
            models.UniqueConstraint(fields=["pile", "version"], name="base_version_unique"),
            models.CheckConstraint(condition=models.Q(version__gte=1), name="base_version_from_one"),
            models.CheckConstraint(
                condition=models.Q(kind__in=["surface", "level", "toe", "plane", "lowest-toe"]),
                name="base_kind_known",
            ),
            models.CheckConstraint(
                condition=models.Q(kind="level", level_m__isnull=False)
                | (~models.Q(kind="level") & models.Q(level_m__isnull=True)),
                name="base_level_has_height",
            ),
            models.CheckConstraint(
                condition=(models.Q(kind="surface") & models.Q(Exact(Length("evidence_sha256"), 64)))
                | (~models.Q(kind="surface") & models.Q(evidence_sha256="")),
                name="base_surface_has_evidence",
            ),
            models.CheckConstraint(
                condition=models.Q(height_uncertainty_m__gte=0), name="base_uncertainty_given"
            ),
        ]

    def __str__(self) -> str:
        return self.label

    @property
    def label(self) -> str:
        return f"{self.pile.code} base v{self.version}"
