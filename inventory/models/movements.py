from __future__ import annotations

from django.db import models
from django.db.models import F, Q

from inventory.models.people import Organization, User
from inventory.models.piles import Pile
from inventory.models.places import Site
from inventory.scope import ScopedQuerySet

TONNES = {"max_digits": 16, "decimal_places": 3}

INTO = ("production", "purchase", "transfer-in", "reclass-in", "lineage-in")
OUT_OF = ("sale", "transfer-out", "usage", "own-works", "reclass-out", "lineage-out")
EITHER_WAY = ("opening", "adjustment")
PAIRED = ("transfer-in", "transfer-out", "reclass-in", "reclass-out", "lineage-in", "lineage-out")


class Scale(models.Model):
    """What weighs: a weighbridge or belt scale of a site. `standard_uncertainty_percent`: relative, k = 1."""

    class Kind(models.TextChoices):
        WEIGHBRIDGE = "weighbridge", "weighbridge"
        BELT = "belt", "belt scale"

    organization_path = "site__organization"

    site = models.ForeignKey(Site, on_delete=models.PROTECT, related_name="scales")
    code = models.CharField(max_length=30)
    name = models.CharField(max_length=200)
    kind = models.CharField(max_length=12, choices=Kind)
    standard_uncertainty_percent = models.DecimalField(max_digits=5, decimal_places=2)
    certified_until = models.DateField(null=True, blank=True)

    objects = ScopedQuerySet.as_manager()

    class Meta:
        ordering = ["site", "code"]
        constraints = [
            models.UniqueConstraint(fields=["site", "code"], name="scale_code_unique"),
            models.CheckConstraint(condition=~Q(code="") & ~Q(name=""), name="scale_is_named"),
            models.CheckConstraint(
                condition=Q(standard_uncertainty_percent__gt=0) & Q(standard_uncertainty_percent__lte=100),
                name="scale_uncertainty_given",
            ),
            models.CheckConstraint(condition=Q(kind__in=["weighbridge", "belt"]), name="scale_kind_known"),
        ]

    def __str__(self) -> str:
        return f"{self.code} {self.name}"


class BeltReading(models.Model):
    """What a belt scale's totaliser showed at a moment, tonnes. Write-once; production lies between two."""

    organization_path = "scale__site__organization"

    scale = models.ForeignKey(Scale, on_delete=models.PROTECT, related_name="readings")
    pile = models.ForeignKey(Pile, on_delete=models.PROTECT, related_name="belt_readings")
    read_at = models.DateTimeField()
    totaliser_t = models.DecimalField(**TONNES)
    recorded_by = models.ForeignKey(User, on_delete=models.PROTECT, related_name="+")
    recorded_at = models.DateTimeField(auto_now_add=True)

    objects = ScopedQuerySet.as_manager()

    class Meta:
        ordering = ["scale", "read_at"]
        constraints = [
            models.UniqueConstraint(fields=["scale", "read_at"], name="belt_read_once_a_moment"),
            models.CheckConstraint(condition=Q(totaliser_t__gte=0), name="belt_total_not_negative"),
        ]

    def __str__(self) -> str:
        return f"{self.scale.code} {self.read_at:%Y-%m-%d %H:%M}: {self.totaliser_t} t"


class MovementImport(models.Model):
    """A file of movements as received (`data_gz`, gzip), how it was read, and what came of it.

    A refused file posts nothing; `problems` holds the refusal with all its problems. A received one was
    looked at and waits for somebody to post it, which makes another row. Write-once.
    """

    class State(models.TextChoices):
        RECEIVED = "received", "received"
        REFUSED = "refused", "refused"
        POSTED = "posted", "posted"

    organization_path = "site__organization"

    site = models.ForeignKey(Site, on_delete=models.PROTECT, related_name="movement_imports")
    name = models.CharField(max_length=255)
    sha256 = models.CharField(max_length=64)
    bytes = models.PositiveBigIntegerField()
    data_gz = models.BinaryField()
    mapping = models.JSONField(default=dict)
    state = models.CharField(max_length=10, choices=State)
    lines_n = models.PositiveIntegerField()
    posted_n = models.PositiveIntegerField()
    problems = models.JSONField(default=dict, blank=True)
    remarks = models.JSONField(default=dict, blank=True)
    by = models.ForeignKey(User, on_delete=models.PROTECT, related_name="+")
    at = models.DateTimeField()

    objects = ScopedQuerySet.as_manager()

    class Meta:
        ordering = ["site", "-at", "-pk"]
        constraints = [
            models.UniqueConstraint(
                fields=["site", "sha256"], condition=Q(state="posted"), name="import_posted_once"
            ),
            models.CheckConstraint(
                condition=Q(state="posted") | Q(state__in=["received", "refused"], posted_n=0),
                name="refused_import_posts_nothing",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.name} ({self.sha256[:12]})"


class MovementQuerySet(ScopedQuerySet):
    def standing(self) -> MovementQuerySet:
        """Neither a reversal nor reversed."""
        return self.filter(reversed_at__isnull=True, reverses__isnull=True)


class Movement(models.Model):
    """Material that entered or left a pile. Write-once: a mistake is reversed by a row of opposite sign.

    `tonnes` is the effect on the pile, positive into it. `moved_at` is when it happened, `book_on` the
    site's day on which it counts: the day of `moved_at`, or, where that period was closed already, the
    first day of the next open one, with the period it belongs to in `belongs_to`. `given` keeps quantity
    and unit as received. Legs of a transfer, a reclassification or a merge name each other by `other_leg`.
    `reversed_at` is set once, by the reversal.
    """

    class Kind(models.TextChoices):
        OPENING = "opening", "opening balance"
        PRODUCTION = "production", "production"
        PURCHASE = "purchase", "purchase"
        TRANSFER_IN = "transfer-in", "transfer in"
        TRANSFER_OUT = "transfer-out", "transfer out"
        SALE = "sale", "sale"
        USAGE = "usage", "usage"
        OWN_WORKS = "own-works", "own works"
        RECLASS_IN = "reclass-in", "reclassified in"
        RECLASS_OUT = "reclass-out", "reclassified out"
        LINEAGE_IN = "lineage-in", "taken over from another pile"
        LINEAGE_OUT = "lineage-out", "gone over to another pile"
        ADJUSTMENT = "adjustment", "adjustment to measured"

    organization_path = "site__organization"

    site = models.ForeignKey(Site, on_delete=models.PROTECT, related_name="movements")
    pile = models.ForeignKey(Pile, on_delete=models.PROTECT, related_name="movements")
    kind = models.CharField(max_length=12, choices=Kind)
    tonnes = models.DecimalField(**TONNES)
    moved_at = models.DateTimeField()
    book_on = models.DateField()
    belongs_to = models.ForeignKey(
        "inventory.Period", on_delete=models.PROTECT, null=True, blank=True, related_name="late_movements"
    )
    source = models.CharField(max_length=40, blank=True)
    document = models.CharField(max_length=60, blank=True)
    scale = models.ForeignKey(
        Scale, on_delete=models.PROTECT, null=True, blank=True, related_name="movements"
    )
    gross_t = models.DecimalField(**TONNES, null=True, blank=True)
    tare_t = models.DecimalField(**TONNES, null=True, blank=True)
    given = models.JSONField(default=dict, blank=True)
    counterparty = models.CharField(max_length=120, blank=True)
    haulier = models.CharField(max_length=120, blank=True)
    unit_price = models.DecimalField(max_digits=14, decimal_places=4, null=True, blank=True)
    note = models.CharField(max_length=300, blank=True)
    other_leg = models.OneToOneField(
        "self", on_delete=models.PROTECT, null=True, blank=True, related_name="leg_of"
    )
    reverses = models.OneToOneField(
        "self", on_delete=models.PROTECT, null=True, blank=True, related_name="reversed_by"
    )
    reversed_at = models.DateTimeField(null=True, blank=True)
    from_import = models.ForeignKey(
        MovementImport, on_delete=models.PROTECT, null=True, blank=True, related_name="movements"
    )
    line = models.PositiveIntegerField(null=True, blank=True)
    recorded_by = models.ForeignKey(User, on_delete=models.PROTECT, related_name="+")
    recorded_at = models.DateTimeField()

    objects = MovementQuerySet.as_manager()

    class Meta:
        ordering = ["moved_at", "pk"]
        indexes = [
            models.Index(fields=["pile", "book_on"], name="movement_by_book_day"),
            models.Index(fields=["pile", "moved_at"], name="movement_by_time"),
            models.Index(fields=["site", "book_on"], name="movement_by_site_day"),
        ]
        constraints = [
            models.UniqueConstraint(
                fields=["site", "source", "document", "kind"],
                condition=Q(reverses__isnull=True, reversed_at__isnull=True) & ~Q(document=""),
                name="movement_document_once",
            ),
            models.CheckConstraint(
                condition=Q(kind__in=[*INTO, *OUT_OF, *EITHER_WAY]), name="movement_kind_known"
            ),
            models.CheckConstraint(
                condition=Q(reverses__isnull=True, kind__in=INTO, tonnes__gt=0)
                | Q(reverses__isnull=True, kind__in=OUT_OF, tonnes__lt=0)
                | Q(reverses__isnull=False, kind__in=INTO, tonnes__lt=0)
                | Q(reverses__isnull=False, kind__in=OUT_OF, tonnes__gt=0)
                | (Q(kind__in=EITHER_WAY) & ~Q(tonnes=0)),
                name="movement_sign_follows_kind",
            ),
            models.CheckConstraint(
                condition=Q(gross_t__isnull=True, tare_t__isnull=True)
                | Q(gross_t__gte=F("tare_t"), tare_t__gte=0),
                name="movement_gross_over_tare",
            ),
            models.CheckConstraint(
                condition=Q(reverses__isnull=True) | ~Q(note=""), name="reversal_has_reason"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.pile.code} {self.get_kind_display()} {self.tonnes} t"


class StockOwner(models.Model):
    """Whose material a pile holds when it is not the organization's own: a customer, a consignor."""

    organization_path = "organization"

    organization = models.ForeignKey(Organization, on_delete=models.PROTECT, related_name="stock_owners")
    code = models.CharField(max_length=20)
    name = models.CharField(max_length=200)

    objects = ScopedQuerySet.as_manager()

    class Meta:
        ordering = ["organization", "code"]
        constraints = [
            models.UniqueConstraint(fields=["organization", "code"], name="stock_owner_code_unique"),
            models.CheckConstraint(condition=~Q(code="") & ~Q(name=""), name="stock_owner_is_named"),
        ]

    def __str__(self) -> str:
        return f"{self.code} {self.name}"
