from __future__ import annotations

from decimal import Decimal

from django.db import models
from django.db.models import F, Q

from inventory.models.materials import Material
from inventory.models.people import Organization, User
from inventory.models.periods import Period, PeriodStep
from inventory.models.piles import Pile
from inventory.models.places import Site
from inventory.models.status import Dated, dated_constraints
from inventory.scope import ScopedQuerySet

MONEY = {"max_digits": 16, "decimal_places": 2}


class UnitValue(Dated):
    """Cost or net realisable value of one tonne of a material from a day on, for a company or one site.

    `per_t` is in the site's currency; `price` is what a sale is accrued at. Approved by another person.
    """

    class Kind(models.TextChoices):
        COST = "cost", "cost"
        NRV = "nrv", "net realisable value"
        PRICE = "price", "selling price"

    organization_path = "organization"

    organization = models.ForeignKey(Organization, on_delete=models.PROTECT, related_name="unit_values")
    material = models.ForeignKey(Material, on_delete=models.PROTECT, related_name="unit_values")
    site = models.ForeignKey(
        Site, on_delete=models.PROTECT, null=True, blank=True, related_name="unit_values"
    )
    kind = models.CharField(max_length=6, choices=Kind)
    per_t = models.DecimalField(max_digits=14, decimal_places=4)
    source = models.CharField(max_length=200)

    objects = ScopedQuerySet.as_manager()

    class Meta:
        ordering = ["organization", "material", "kind", "-valid_from", "pk"]
        constraints = [
            *dated_constraints("unitvalue"),
            models.CheckConstraint(condition=Q(per_t__gte=0), name="unitvalue_not_negative"),
            models.CheckConstraint(
                condition=Q(kind__in=["cost", "nrv", "price"]), name="unitvalue_kind_known"
            ),
            models.CheckConstraint(condition=~Q(source=""), name="unitvalue_has_source"),
        ]

    def __str__(self) -> str:
        return f"{self.material.code} {self.get_kind_display()} {self.per_t.normalize():f}/t"

    @property
    def label(self) -> str:
        return f"V-{self.pk}"


class AccountCode(models.Model):
    """Which account of the organization's ledger plays a part in its journals, from a day on. Write-once.

    `part` is a key of `inventory.accounts.PARTS`, such as `inventory` or `adjustment`.
    """

    organization_path = "organization"

    organization = models.ForeignKey(Organization, on_delete=models.PROTECT, related_name="account_codes")
    site = models.ForeignKey(
        Site, on_delete=models.PROTECT, null=True, blank=True, related_name="account_codes"
    )
    part = models.CharField(max_length=40)
    account = models.CharField(max_length=60)
    cost_centre = models.CharField(max_length=60, blank=True)
    valid_from = models.DateField()
    set_by = models.ForeignKey(User, on_delete=models.PROTECT, related_name="+")
    set_at = models.DateTimeField()

    objects = ScopedQuerySet.as_manager()

    class Meta:
        ordering = ["organization", "part", "-valid_from", "-pk"]
        constraints = [
            models.UniqueConstraint(
                fields=["organization", "site", "part", "valid_from"], name="account_once_a_day_and_site"
            ),
            models.UniqueConstraint(
                fields=["organization", "part", "valid_from"],
                condition=Q(site__isnull=True),
                name="account_once_a_day",
            ),
            models.CheckConstraint(condition=~Q(part="") & ~Q(account=""), name="account_is_named"),
        ]

    def __str__(self) -> str:
        return f"{self.part}: {self.account}"


class JournalEntry(models.Model):
    """One balanced entry of a period. Lines can be added until `posted_at`; from then on it is write-once,
    and the database posts none whose debits and credits differ.

    `case_code` is a key of `inventory.journals.CASES`. A mistake is reversed by an entry that names it.
    """

    organization_path = "period__site__organization"

    period = models.ForeignKey(Period, on_delete=models.PROTECT, related_name="journal_entries")
    number = models.CharField(max_length=40)
    posting_on = models.DateField()
    case_code = models.CharField(max_length=40)
    text = models.CharField(max_length=300)
    subject = models.CharField(max_length=120, blank=True)
    prepared_by = models.ForeignKey(User, on_delete=models.PROTECT, related_name="+")
    approved_by = models.ForeignKey(User, on_delete=models.PROTECT, null=True, blank=True, related_name="+")
    posted_at = models.DateTimeField(null=True, blank=True)
    reverses = models.OneToOneField(
        "self", on_delete=models.PROTECT, null=True, blank=True, related_name="reversed_by"
    )

    objects = ScopedQuerySet.as_manager()

    class Meta:
        ordering = ["period", "number"]
        constraints = [
            models.UniqueConstraint(fields=["period", "number"], name="journal_number_once"),
            models.CheckConstraint(
                condition=Q(approved_by__isnull=True) | ~Q(approved_by=F("prepared_by")),
                name="journal_preparer_is_not_approver",
            ),
        ]

    def __str__(self) -> str:
        return self.number


class JournalLine(models.Model):
    """One side of a journal entry: a debit or a credit, never both, never neither."""

    organization_path = "entry__period__site__organization"

    entry = models.ForeignKey(JournalEntry, on_delete=models.PROTECT, related_name="lines")
    line = models.PositiveIntegerField()
    part = models.CharField(max_length=40)
    account = models.CharField(max_length=60)
    cost_centre = models.CharField(max_length=60, blank=True)
    pile = models.ForeignKey(Pile, on_delete=models.PROTECT, null=True, blank=True, related_name="+")
    tonnes = models.DecimalField(max_digits=16, decimal_places=3, null=True, blank=True)
    unit_amount = models.DecimalField(max_digits=14, decimal_places=4, null=True, blank=True)
    debit = models.DecimalField(**MONEY, default=0)
    credit = models.DecimalField(**MONEY, default=0)

    objects = ScopedQuerySet.as_manager()

    class Meta:
        ordering = ["entry", "line"]
        constraints = [
            models.UniqueConstraint(fields=["entry", "line"], name="journal_line_once"),
            models.CheckConstraint(
                condition=Q(debit__gt=0, credit=0) | Q(debit=0, credit__gt=0), name="journal_line_one_side"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.entry.number}/{self.line}"


class ExportBatch(models.Model):
    """An export as it was handed out: `sha256` of its bytes, so that the same one can be told. Write-once."""

    organization_path = "period__site__organization"

    period = models.ForeignKey(Period, on_delete=models.PROTECT, related_name="exports")
    form = models.CharField(max_length=8)
    sha256 = models.CharField(max_length=64)
    bytes = models.PositiveBigIntegerField()
    rows_n = models.PositiveIntegerField()
    by = models.ForeignKey(User, on_delete=models.PROTECT, null=True, blank=True, related_name="+")
    at = models.DateTimeField()

    objects = ScopedQuerySet.as_manager()

    class Meta:
        ordering = ["period", "-pk"]

    def __str__(self) -> str:
        return f"{self.period} {self.form} {self.sha256[:12]}"


class PeriodPool(models.Model):
    """What the stock of one material at one site cost at the end of a period: one pool, one cost formula.

    `layers` is a list of [tonnes, amount] as text, oldest first; under the weighted average it has one.
    They sum to `tonnes` and `amount`. Made again until the period is locked, then kept by triggers.
    """

    organization_path = "period__site__organization"

    period = models.ForeignKey(Period, on_delete=models.PROTECT, related_name="pools")
    material = models.ForeignKey(Material, on_delete=models.PROTECT, related_name="+")
    cost_method = models.CharField(max_length=20, choices=Material.CostMethod)
    tonnes = models.DecimalField(max_digits=16, decimal_places=3)
    amount = models.DecimalField(**MONEY)
    rounding = models.DecimalField(**MONEY, default=0)
    layers = models.JSONField(default=list)

    objects = ScopedQuerySet.as_manager()

    class Meta:
        ordering = ["period", "material__code"]
        constraints = [models.UniqueConstraint(fields=["period", "material"], name="pool_once_a_material")]

    def __str__(self) -> str:
        return f"{self.period} {self.material.code}: {self.amount}"


class PeriodValue(models.Model):
    """What one pile's book stock was worth at the end of a period, at the lower of cost and realisable value.

    `unit_cost` is shown to 4 places, `cost_amount` is rounded once. `allowance` is what is written down in
    all, `allowance_change` what this period added to it (negative: reversed). `nrv_unit` is empty where no
    net realisable value was in force, and the allowance then stays. Kept by triggers once locked.
    """

    organization_path = "period__site__organization"

    period = models.ForeignKey(Period, on_delete=models.PROTECT, related_name="values")
    pile = models.ForeignKey(Pile, on_delete=models.PROTECT, related_name="period_values")
    tonnes = models.DecimalField(max_digits=16, decimal_places=3)
    unit_cost = models.DecimalField(max_digits=14, decimal_places=4)
    cost_amount = models.DecimalField(**MONEY)
    nrv_unit = models.DecimalField(max_digits=14, decimal_places=4, null=True, blank=True)
    allowance = models.DecimalField(**MONEY, default=0)
    allowance_change = models.DecimalField(**MONEY, default=0)

    objects = ScopedQuerySet.as_manager()

    class Meta:
        ordering = ["period", "pile__code"]
        constraints = [
            models.UniqueConstraint(fields=["period", "pile"], name="period_value_once_a_pile"),
            models.CheckConstraint(condition=Q(allowance__gte=0), name="carrying_never_above_cost"),
        ]

    def __str__(self) -> str:
        return f"{self.period} {self.pile.code}: {self.carrying_amount}"

    @property
    def carrying_amount(self) -> Decimal:
        return self.cost_amount - self.allowance


class KeptExport(models.Model):
    """The content of a locked period's export, kept when it was first made. Write-once.

    Names of piles, places and people may change later; the export of that lock does not. `step` is the
    step that locked the period: a restatement ends with another one. `content_gz` is gzipped JSON.
    """

    organization_path = "period__site__organization"

    period = models.ForeignKey(Period, on_delete=models.PROTECT, related_name="kept_exports")
    step = models.OneToOneField(PeriodStep, on_delete=models.PROTECT, related_name="kept_export")
    content_gz = models.BinaryField()
    sha256 = models.CharField(max_length=64)
    kept_at = models.DateTimeField()

    objects = ScopedQuerySet.as_manager()

    class Meta:
        ordering = ["period", "-pk"]

    def __str__(self) -> str:
        return f"{self.period} {self.sha256[:12]}"
