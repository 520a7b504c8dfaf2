from __future__ import annotations

from decimal import Decimal

from django.db import models
from django.db.models import F, Q

from inventory.models.counts import StockCount
from inventory.models.movements import TONNES, Movement
from inventory.models.people import Organization, User
from inventory.models.piles import Pile
from inventory.models.places import Site
from inventory.scope import ScopedQuerySet

_IDENTITY = (
    F("opening_t")
    + F("production_t")
    + F("purchases_t")
    + F("transfers_in_t")
    - F("sales_t")
    - F("transfers_out_t")
    - F("usage_t")
    + F("reclass_t")
    + F("adjustment_t")
)
# SQLite adds decimals as doubles, so that equality has to leave room for their last bits.
_HALF_A_KILOGRAM = Decimal("0.0005")


class Policy(models.Model):
    """Thresholds of an organization, or of one site, from a day on. Write-once; the newest in force rules.

    `thresholds` holds only what differs from `inventory.policy.DEFAULTS`.
    """

    organization_path = "organization"

    organization = models.ForeignKey(Organization, on_delete=models.PROTECT, related_name="policies")
    site = models.ForeignKey(Site, on_delete=models.PROTECT, null=True, blank=True, related_name="policies")
    valid_from = models.DateField()
    thresholds = models.JSONField(default=dict)
    reason = models.TextField()
    set_by = models.ForeignKey(User, on_delete=models.PROTECT, related_name="+")
    set_at = models.DateTimeField()

    objects = ScopedQuerySet.as_manager()

    class Meta:
        ordering = ["organization", "-valid_from", "-pk"]
        constraints = [models.CheckConstraint(condition=~Q(reason=""), name="policy_has_reason")]

    def __str__(self) -> str:
        return f"policy from {self.valid_from}"


class Period(models.Model):
    """A month of one site's book, on the days `starts_on <= day < ends_on`; `cutoff_at` is its last moment.

    `open → counting → reconciled → approved → locked`, and `restating` while two people have it open
    again. Database triggers hold the order and keep everything out of an approved or locked period.
    `sheet_sha256` is the hash of its lines when it was approved.
    """

    class State(models.TextChoices):
        OPEN = "open", "open"
        COUNTING = "counting", "counting"
        RECONCILED = "reconciled", "reconciled"
        APPROVED = "approved", "approved"
        LOCKED = "locked", "locked"
        RESTATING = "restating", "restating"

    organization_path = "site__organization"

    site = models.ForeignKey(Site, on_delete=models.PROTECT, related_name="periods")
    name = models.CharField(max_length=20)
    starts_on = models.DateField()
    ends_on = models.DateField()
    cutoff_at = models.DateTimeField()
    state = models.CharField(max_length=12, choices=State, default=State.OPEN)
    sheet_sha256 = models.CharField(max_length=64, blank=True)

    objects = ScopedQuerySet.as_manager()

    class Meta:
        ordering = ["site", "-starts_on"]
        constraints = [
            models.UniqueConstraint(fields=["site", "name"], name="period_name_once"),
            models.UniqueConstraint(fields=["site", "starts_on"], name="period_starts_once"),
            models.CheckConstraint(condition=Q(ends_on__gt=F("starts_on")), name="period_has_days"),
            models.CheckConstraint(
                condition=Q(state__in=["open", "counting", "reconciled", "approved", "locked", "restating"]),
                name="period_state_known",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.site.code} {self.name}"


class PeriodStep(models.Model):
    """One step in the life of a period: who, in which role, when, why. Write-once."""

    organization_path = "period__site__organization"

    period = models.ForeignKey(Period, on_delete=models.PROTECT, related_name="steps")
    from_state = models.CharField(max_length=12, blank=True)
    to_state = models.CharField(max_length=12, choices=Period.State)
    by = models.ForeignKey(User, on_delete=models.PROTECT, related_name="+")
    roles = models.CharField(max_length=200)
    at = models.DateTimeField()
    comment = models.TextField(blank=True)
    sheet_sha256 = models.CharField(max_length=64, blank=True)

    objects = ScopedQuerySet.as_manager()

    class Meta:
        ordering = ["period", "pk"]

    def __str__(self) -> str:
        return f"{self.period}: {self.from_state} → {self.to_state}"


class PeriodLine(models.Model):
    """One pile's line of the month-end sheet as reconciled, tonnes; kept for ever once that is approved.

    Issues are written positive: `book_closing_t = opening_t + production_t + purchases_t + transfers_in_t
    − sales_t − transfers_out_t − usage_t + reclass_t + adjustment_t`, which the database checks.
    `variance_t = measured_closing_t − (book_closing_t − adjustment_t)`: measured against the book before
    this period's adjustment. `u95_t` is the expanded uncertainty (k = 2) of the variance.
    `causes` is the ranked list with the numbers behind each.
    """

    organization_path = "period__site__organization"

    period = models.ForeignKey(Period, on_delete=models.PROTECT, related_name="lines")
    pile = models.ForeignKey(Pile, on_delete=models.PROTECT, related_name="period_lines")
    opening_t = models.DecimalField(**TONNES)
    production_t = models.DecimalField(**TONNES)
    purchases_t = models.DecimalField(**TONNES)
    transfers_in_t = models.DecimalField(**TONNES)
    sales_t = models.DecimalField(**TONNES)
    transfers_out_t = models.DecimalField(**TONNES)
    usage_t = models.DecimalField(**TONNES)
    reclass_t = models.DecimalField(**TONNES)
    adjustment_t = models.DecimalField(**TONNES)
    book_closing_t = models.DecimalField(**TONNES)
    count = models.ForeignKey(
        StockCount, on_delete=models.PROTECT, null=True, blank=True, related_name="period_lines"
    )
    rollforward_t = models.DecimalField(**TONNES, null=True, blank=True)
    measured_closing_t = models.DecimalField(**TONNES, null=True, blank=True)
    variance_t = models.DecimalField(**TONNES, null=True, blank=True)
    increment_t = models.DecimalField(**TONNES, null=True, blank=True)
    u95_t = models.DecimalField(**TONNES, null=True, blank=True)
    gate = models.CharField(max_length=20, blank=True)
    gates = models.JSONField(default=dict, blank=True)
    causes = models.JSONField(default=list, blank=True)

    objects = ScopedQuerySet.as_manager()

    class Meta:
        ordering = ["period", "pile__code"]
        constraints = [
            models.UniqueConstraint(fields=["period", "pile"], name="period_line_once_a_pile"),
            models.CheckConstraint(
                condition=Q(book_closing_t__gt=_IDENTITY - _HALF_A_KILOGRAM)
                & Q(book_closing_t__lt=_IDENTITY + _HALF_A_KILOGRAM),
                name="period_line_identity",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.period} {self.pile.code}"


class Explanation(models.Model):
    """What somebody says about a variance. Write-once; a later one stands beside it."""

    organization_path = "period__site__organization"

    period = models.ForeignKey(Period, on_delete=models.PROTECT, related_name="explanations")
    pile = models.ForeignKey(Pile, on_delete=models.PROTECT, related_name="explanations")
    cause_code = models.CharField(max_length=40)
    text = models.TextField()
    by = models.ForeignKey(User, on_delete=models.PROTECT, related_name="+")
    at = models.DateTimeField()

    objects = ScopedQuerySet.as_manager()

    class Meta:
        ordering = ["period", "pk"]
        constraints = [models.CheckConstraint(condition=~Q(text=""), name="explanation_says_something")]

    def __str__(self) -> str:
        return f"{self.period} {self.pile.code}: {self.cause_code}"


class Adjustment(models.Model):
    """A change of the book towards what was measured: `tonnes` signed. Moves proposed → approved → posted.

    `movement` is the posting. A reversal is another adjustment that `reverses` it. Values never change
    after the proposal; who proposed never approves.
    """

    class State(models.TextChoices):
        PROPOSED = "proposed", "proposed"
        APPROVED = "approved", "approved"
        POSTED = "posted", "posted"
        REVERSED = "reversed", "reversed"
        REJECTED = "rejected", "rejected"

    class Nature(models.TextChoices):
        ERROR = "error", "error: a wrong input that could have been right"
        ESTIMATE = "estimate", "estimate: new information"
        LOSS = "loss", "loss: material that is gone"

    organization_path = "period__site__organization"

    period = models.ForeignKey(Period, on_delete=models.PROTECT, related_name="adjustments")
    pile = models.ForeignKey(Pile, on_delete=models.PROTECT, related_name="adjustments")
    tonnes = models.DecimalField(**TONNES)
    nature = models.CharField(max_length=10, choices=Nature)
    reason_code = models.CharField(max_length=40)
    reason = models.TextField()
    count = models.ForeignKey(
        StockCount, on_delete=models.PROTECT, null=True, blank=True, related_name="adjustments"
    )
    unit_cost = models.DecimalField(max_digits=14, decimal_places=4, null=True, blank=True)
    amount = models.DecimalField(max_digits=16, decimal_places=2, null=True, blank=True)
    state = models.CharField(max_length=10, choices=State, default=State.PROPOSED)
    proposed_by = models.ForeignKey(User, on_delete=models.PROTECT, related_name="+")
    proposed_at = models.DateTimeField()
    approved_by = models.ForeignKey(User, on_delete=models.PROTECT, null=True, blank=True, related_name="+")
    approved_at = models.DateTimeField(null=True, blank=True)
    rejected_reason = models.TextField(blank=True)
    movement = models.OneToOneField(
        Movement, on_delete=models.PROTECT, null=True, blank=True, related_name="adjustment"
    )
    reverses = models.OneToOneField(
        "self", on_delete=models.PROTECT, null=True, blank=True, related_name="reversed_by"
    )

    objects = ScopedQuerySet.as_manager()

    class Meta:
        ordering = ["period", "pk"]
        constraints = [
            models.CheckConstraint(condition=~Q(tonnes=0), name="adjustment_moves_something"),
            models.CheckConstraint(condition=~Q(reason=""), name="adjustment_has_reason"),
            models.CheckConstraint(
                condition=Q(approved_by__isnull=True) | ~Q(approved_by=F("proposed_by")),
                name="adjustment_preparer_is_not_approver",
            ),
            models.CheckConstraint(
                condition=~Q(state__in=["approved", "posted", "reversed"])
                | Q(approved_by__isnull=False, approved_at__isnull=False),
                name="adjustment_approval_is_named",
            ),
            models.CheckConstraint(
                condition=~Q(state__in=["posted", "reversed"]) | Q(movement__isnull=False),
                name="adjustment_posted_by_movement",
            ),
            models.CheckConstraint(
                condition=Q(nature__in=["error", "estimate", "loss"]), name="adjustment_nature_known"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.period} {self.pile.code}: {self.tonnes:+} t"


class Restatement(models.Model):
    """A locked period opened again by two people of two roles, and the bridge from old to new figures.

    `bridge` is filled when it ends: old certificate → new certificate → effect in tonnes and money.
    """

    organization_path = "period__site__organization"

    period = models.ForeignKey(Period, on_delete=models.PROTECT, related_name="restatements")
    reason = models.TextField()
    asked_by = models.ForeignKey(User, on_delete=models.PROTECT, related_name="+")
    asked_role = models.CharField(max_length=20)
    asked_at = models.DateTimeField()
    agreed_by = models.ForeignKey(User, on_delete=models.PROTECT, null=True, blank=True, related_name="+")
    agreed_role = models.CharField(max_length=20, blank=True)
    agreed_at = models.DateTimeField(null=True, blank=True)
    ended_at = models.DateTimeField(null=True, blank=True)
    before = models.JSONField(default=dict, blank=True)
    bridge = models.JSONField(default=dict, blank=True)

    objects = ScopedQuerySet.as_manager()

    class Meta:
        ordering = ["period", "pk"]
        constraints = [
            models.CheckConstraint(condition=~Q(reason=""), name="restatement_has_reason"),
            models.CheckConstraint(
                condition=Q(agreed_by__isnull=True) | ~Q(agreed_by=F("asked_by")),
                name="restatement_two_people",
            ),
            models.UniqueConstraint(
                fields=["period"], condition=Q(ended_at__isnull=True), name="restatement_one_at_a_time"
            ),
        ]

    def __str__(self) -> str:
        return f"restatement of {self.period}"
