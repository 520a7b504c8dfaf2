from __future__ import annotations

from django.db import models
from django.db.models import F, Q

from inventory.models.people import User
from inventory.models.piles import Pile
from inventory.models.places import Site
from inventory.models.status import Dated, dated_constraints
from inventory.scope import ScopedQuerySet

UNITS = [
    ("metre", "metre"),
    ("foot", "foot"),
    ("us-survey-foot", "us survey foot"),
    ("degree", "degree"),
    ("percent", "percent"),
    ("horizontal-to-one", "horizontal to one vertical"),
    ("square-metre", "square metre"),
    ("hectare", "hectare"),
    ("square-foot", "square foot"),
    ("acre", "acre"),
    ("cubic-metre", "cubic metre"),
    ("cubic-yard", "cubic yard"),
    ("cubic-foot", "cubic foot"),
    ("tonne", "tonne"),
    ("short-ton", "short ton"),
    ("long-ton", "long ton"),
    ("day", "day"),
    ("month", "month"),
    ("year", "year"),
]
"""Units that documents limit in."""


class Limit(Dated):
    """How high, steep, wide, large, heavy, old or near a pile may be, from a day on, and who says so.

    Without a pile it holds on the whole site: area, volume and tonnes of all its piles together, everything
    else of each. `value` is in metres, m², m³, tonnes, days, or degrees from level; `given` and `unit` are
    as the document has it. `reference_level_m` is the height of natural ground in the site frame, needed
    for `height-above-natural` alone; `boundary` a line of [easting, northing], metres, site frame, needed
    for `setback` alone. `source` names the document, `consequence` says what follows when it is passed.
    """

    class Quantity(models.TextChoices):
        HEIGHT = "height", "height over the base"
        ABOVE_NATURAL = "height-above-natural", "height above natural ground"
        SLOPE = "slope", "slope of a face"
        AREA = "area", "area covered"
        VOLUME = "volume", "volume"
        TONNES = "tonnes", "tonnes"
        AGE = "age", "time since the pile was opened"
        SETBACK = "setback", "distance from a boundary"

    class Operator(models.TextChoices):
        MAX = "max", "at most"
        MIN = "min", "at least"

    organization_path = "site__organization"

    site = models.ForeignKey(Site, on_delete=models.PROTECT, related_name="pile_limits")
    pile = models.ForeignKey(Pile, on_delete=models.PROTECT, null=True, blank=True, related_name="limits")
    quantity = models.CharField(max_length=24, choices=Quantity)
    operator = models.CharField(max_length=3, choices=Operator)
    value = models.DecimalField(max_digits=18, decimal_places=6)
    given = models.CharField(max_length=30)
    unit = models.CharField(max_length=20, choices=UNITS)
    reference_surface = models.CharField(max_length=200, blank=True)
    reference_level_m = models.DecimalField(max_digits=9, decimal_places=4, null=True, blank=True)
    boundary = models.JSONField(default=list, blank=True)
    source = models.CharField(max_length=200)
    page = models.CharField(max_length=40, blank=True)
    consequence = models.TextField()

    objects = ScopedQuerySet.as_manager()

    class Meta:
        ordering = ["site", "pile", "quantity", "-valid_from", "pk"]
        constraints = [
            *dated_constraints("limit"),
            models.CheckConstraint(
                condition=Q(
                    quantity__in=[
                        "height",
                        "height-above-natural",
                        "slope",
                        "area",
                        "volume",
                        "tonnes",
                        "age",
                        "setback",
                    ]
                )
                & Q(operator__in=["max", "min"]),
                name="limit_words_known",
            ),
            models.CheckConstraint(condition=Q(value__gt=0), name="limit_value_positive"),
            models.CheckConstraint(
                condition=~Q(source="") & ~Q(consequence="") & ~Q(given="") & ~Q(unit=""),
                name="limit_says_where_it_is_from",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.label}: {self.get_quantity_display()} {self.get_operator_display()} {self.given}"

    @property
    def label(self) -> str:
        return f"L-{self.pk}"

    @property
    def place(self) -> str:
        """Code of the pile, or of the site."""
        return self.site.code if self.pile_id is None else self.pile.code


class PileHazard(models.Model):
    """One known danger of a pile; it is ended, not deleted, so that it can be read what was known when."""

    class Kind(models.TextChoices):
        FEEDER = "feeder", "feeder"
        DRAW_POINT = "draw-point", "draw point"
        VOID = "void", "possible void"
        UNDERCUT = "undercut", "undercut or steep face"
        TRAFFIC = "traffic", "traffic"
        POWER_LINE = "power-line", "power line"
        OTHER = "other", "other"

    organization_path = "pile__site__organization"

    pile = models.ForeignKey(Pile, on_delete=models.PROTECT, related_name="hazard_points")
    kind = models.CharField(max_length=12, choices=Kind)
    words = models.TextField()
    recorded_by = models.ForeignKey(User, on_delete=models.PROTECT, related_name="+")
    recorded_at = models.DateTimeField(auto_now_add=True)
    ended_by = models.ForeignKey(User, on_delete=models.PROTECT, null=True, blank=True, related_name="+")
    ended_at = models.DateTimeField(null=True, blank=True)
    ended_reason = models.TextField(blank=True)

    objects = ScopedQuerySet.as_manager()

    class Meta:
        ordering = ["pile", "kind", "pk"]
        constraints = [
            models.CheckConstraint(
                condition=Q(
                    kind__in=["feeder", "draw-point", "void", "undercut", "traffic", "power-line", "other"]
                )
                & ~Q(words=""),
                name="hazard_is_told",
            ),
            models.CheckConstraint(
                condition=Q(ended_at__isnull=True, ended_by__isnull=True, ended_reason="")
                | (Q(ended_at__gte=F("recorded_at"), ended_by__isnull=False) & ~Q(ended_reason="")),
                name="hazard_end_is_named",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.get_kind_display()}: {self.words}"
