from __future__ import annotations

from decimal import Decimal

from django.db import models

from inventory.models.people import Organization, Role, User
from inventory.models.places import Site
from inventory.models.status import Dated, dated_constraints
from inventory.scope import ScopedQuerySet


class Material(models.Model):
    class CostMethod(models.TextChoices):
        WEIGHTED_AVERAGE = "weighted-average", "weighted average"
        FIFO = "fifo", "first in, first out"

    organization_path = "organization"

    organization = models.ForeignKey(Organization, on_delete=models.PROTECT, related_name="materials")
    code = models.CharField(max_length=20)
    name = models.CharField(max_length=200)
    tax_class = models.CharField(max_length=40, blank=True, default="")
    cost_method = models.CharField(max_length=20, choices=CostMethod, default=CostMethod.WEIGHTED_AVERAGE)

    objects = ScopedQuerySet.as_manager()

    class Meta:
        ordering = ["organization", "code"]
        constraints = [
            models.UniqueConstraint(fields=["organization", "code"], name="material_code_unique"),
            models.CheckConstraint(
                condition=~models.Q(code="") & ~models.Q(name=""), name="material_is_named"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.code} {self.name}"


class DensityRecord(Dated):
    """Tonnes per cubic metre of a material from a day on, for a company, a site or one pile.

    Scope: `site` and `pile` both empty = the whole organization; never both set. `t_per_m3` is mass per
    volume in `state`, at `moisture_basis`. `moisture_percent` is per cent of dry mass where the basis
    of the percentage is `dry`, of wet mass where it is `wet` (10 % of wet is 11.1 % of dry).
    `standard_uncertainty_percent` is one standard deviation, relative to `t_per_m3`.
    """

    class State(models.TextChoices):
        STOCKED = "stocked", "stocked (loose)"
        TRUCK = "truck", "in the truck"
        COMPACTED = "compacted", "compacted"
        BANK = "bank", "bank (in place)"

    class MoistureBasis(models.TextChoices):
        AS_RECEIVED = "as-received", "as received"
        DRY = "dry", "dry"

    class PercentOf(models.TextChoices):
        DRY = "dry", "of dry mass"
        WET = "wet", "of wet mass"

    class Grade(models.TextChoices):
        A = "A", "A: back-calculated or depth-logged here within 12 months"
        B = "B", "B: laboratory method with moisture conversion within 12 months"
        C = "C", "C: older, or borrowed from another site"
        D = "D", "D: book value, source unknown"

    organization_path = "organization"

    organization = models.ForeignKey(Organization, on_delete=models.PROTECT, related_name="densities")
    material = models.ForeignKey(Material, on_delete=models.PROTECT, related_name="densities")
    site = models.ForeignKey(Site, on_delete=models.PROTECT, null=True, blank=True, related_name="densities")
    pile = models.ForeignKey(
        "inventory.Pile", on_delete=models.PROTECT, null=True, blank=True, related_name="densities"
    )
    t_per_m3 = models.DecimalField(max_digits=8, decimal_places=4)
    state = models.CharField(max_length=12, choices=State, default=State.STOCKED)
    moisture_basis = models.CharField(max_length=12, choices=MoistureBasis, default=MoistureBasis.AS_RECEIVED)
    moisture_percent = models.DecimalField(max_digits=5, decimal_places=2, null=True, blank=True)
    moisture_percent_of = models.CharField(max_length=3, choices=PercentOf, blank=True)
    grade = models.CharField(max_length=1, choices=Grade)
    standard_uncertainty_percent = models.DecimalField(max_digits=5, decimal_places=2)
    tests_n = models.PositiveIntegerField(null=True, blank=True)
    method = models.CharField(max_length=200)

    objects = ScopedQuerySet.as_manager()

    class Meta:
        ordering = ["organization", "material", "-valid_from", "pk"]
        indexes = [models.Index(fields=["material", "valid_from"], name="density_by_material")]
        constraints = [
            *dated_constraints("density"),
            models.CheckConstraint(
                condition=models.Q(site__isnull=True) | models.Q(pile__isnull=True), name="density_one_scope"
            ),
            models.CheckConstraint(
                condition=models.Q(t_per_m3__gt=0) & models.Q(t_per_m3__lt=Decimal(25)),
                name="density_possible",  # osmium, the densest element, is 22.6
            ),
            models.CheckConstraint(
                condition=models.Q(standard_uncertainty_percent__gt=0)
                & models.Q(standard_uncertainty_percent__lte=100),
                name="density_uncertainty_given",
            ),
            models.CheckConstraint(
                condition=(models.Q(moisture_percent__isnull=True) & models.Q(moisture_percent_of=""))
                | (models.Q(moisture_percent__gte=0) & models.Q(moisture_percent_of__in=["dry", "wet"])),
                name="density_moisture_has_basis",
            ),
            models.CheckConstraint(
                condition=models.Q(state__in=["stocked", "truck", "compacted", "bank"])
                & models.Q(moisture_basis__in=["as-received", "dry"])
                & models.Q(grade__in=["A", "B", "C", "D"]),
                name="density_words_known",
            ),
            models.CheckConstraint(condition=~models.Q(method=""), name="density_has_method"),
        ]

    def __str__(self) -> str:
        return f"{self.label}: {self.material.code} {self.t_per_m3.normalize():f} t/m³"

    @property
    def label(self) -> str:
        return f"D-{self.pk}"

    @property
    def scope(self) -> str:
        """`pile`, `site` or `company`."""
        if self.pile_id is not None:
            return "pile"
        return "site" if self.site_id is not None else "company"

    @property
    def standard_uncertainty_t_per_m3(self) -> Decimal:
        return self.t_per_m3 * self.standard_uncertainty_percent / 100


class DensityApproval(models.Model):
    """One of the two signatures that a density needs: a lead surveyor's and a manager's. Write-once."""

    organization_path = "density__organization"

    density = models.ForeignKey(DensityRecord, on_delete=models.PROTECT, related_name="approvals")
    role = models.CharField(max_length=20, choices=Role)
    by = models.ForeignKey(User, on_delete=models.PROTECT, related_name="+")
    at = models.DateTimeField()

    objects = ScopedQuerySet.as_manager()

    class Meta:
        ordering = ["density", "at"]
        constraints = [
            models.UniqueConstraint(fields=["density", "role"], name="density_approval_once_a_role"),
            models.UniqueConstraint(fields=["density", "by"], name="density_approval_once_a_person"),
            models.CheckConstraint(
                condition=models.Q(role__in=[Role.LEAD_SURVEYOR, Role.MANAGER]),
                name="density_approval_role",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.density.label} by {self.by} as {self.get_role_display()}"
