from __future__ import annotations

from django.db import models

from inventory.models.materials import DensityRecord
from inventory.models.people import User
from inventory.models.piles import BaseVersion, Pile
from inventory.scope import ScopedQuerySet


class StockCountQuerySet(ScopedQuerySet):
    def current(self) -> StockCountQuerySet:
        """Counts that stand: neither superseded nor withdrawn."""
        return self.filter(superseded_at__isnull=True)


class StockCount(models.Model):
    """What was measured of a pile on a day, as approved. Write-once, kept so by database triggers.

    `volume_m3` is net (above − below base), `below_base_m3` the part below, not negative. `*_u95_*` are
    expanded uncertainties, k = 2. `tonnes` is `volume_m3` times the density named, or empty where no
    density applied. `evidence_ref` leads to the evidence and is opaque here. `counted_on` is the site's
    day of the survey, `started_at` to `ended_at` when it was measured, where known. `certificate_no` and
    `certificate_version` are what the evidence is called on paper. A count leaves force once: by a
    successor (`superseded_by`) or by withdrawal.
    """

    organization_path = "pile__site__organization"

    pile = models.ForeignKey(Pile, on_delete=models.PROTECT, related_name="counts")
    counted_on = models.DateField()
    counted_at = models.DateTimeField()
    volume_m3 = models.DecimalField(max_digits=16, decimal_places=3)
    below_base_m3 = models.DecimalField(max_digits=16, decimal_places=3)
    volume_u95_m3 = models.DecimalField(max_digits=16, decimal_places=3)
    tonnes = models.DecimalField(max_digits=16, decimal_places=3, null=True, blank=True)
    tonnes_u95_t = models.DecimalField(max_digits=16, decimal_places=3, null=True, blank=True)
    density = models.ForeignKey(
        DensityRecord, on_delete=models.PROTECT, null=True, blank=True, related_name="counts"
    )
    base = models.ForeignKey(
        BaseVersion, on_delete=models.PROTECT, null=True, blank=True, related_name="counts"
    )
    evidence_ref = models.CharField(max_length=200, unique=True)
    evidence_digest = models.CharField(max_length=128)
    certificate_no = models.CharField(max_length=80, null=True, blank=True)
    certificate_version = models.PositiveIntegerField(null=True, blank=True)
    started_at = models.DateTimeField(null=True, blank=True)
    ended_at = models.DateTimeField(null=True, blank=True)
    recorded_by = models.ForeignKey(User, on_delete=models.PROTECT, related_name="+")
    recorded_at = models.DateTimeField()
    supersedes = models.OneToOneField(
        "self", on_delete=models.PROTECT, null=True, blank=True, related_name="superseded_by"
    )
    superseded_at = models.DateTimeField(null=True, blank=True)
    withdrawn_by = models.ForeignKey(User, on_delete=models.PROTECT, null=True, blank=True, related_name="+")
    withdrawn_reason = models.TextField(blank=True)

    objects = StockCountQuerySet.as_manager()

    class Meta:
        ordering = ["pile", "-counted_at", "-pk"]
        indexes = [
            models.Index(
                fields=["pile", "-counted_on"],
                condition=models.Q(superseded_at__isnull=True),
                name="count_current_of_pile",
            )
        ]
        constraints = [
            models.UniqueConstraint(
                fields=["pile", "counted_on"],
                condition=models.Q(superseded_at__isnull=True),
                name="count_one_current_a_day",
            ),
            models.CheckConstraint(
                condition=models.Q(below_base_m3__gte=0) & models.Q(volume_u95_m3__gte=0),
                name="count_parts_not_negative",
            ),
            models.CheckConstraint(
                condition=models.Q(tonnes__isnull=True, tonnes_u95_t__isnull=True, density__isnull=True)
                | models.Q(tonnes__isnull=False, tonnes_u95_t__gte=0, density__isnull=False),
                name="count_tonnes_have_density",
            ),
            models.CheckConstraint(
                condition=~models.Q(evidence_ref="") & ~models.Q(evidence_digest=""),
                name="count_has_evidence",
            ),
            models.CheckConstraint(
                condition=models.Q(withdrawn_by__isnull=True, withdrawn_reason="")
                | (
                    models.Q(withdrawn_by__isnull=False, superseded_at__isnull=False)
                    & ~models.Q(withdrawn_reason="")
                ),
                name="count_withdrawal_is_named",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.pile.code} {self.counted_on}: {self.volume_m3} m³"
