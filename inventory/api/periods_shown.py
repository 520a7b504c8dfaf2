"""What month end shows and takes: periods, sheets, tasks, adjustments, restatements, policies.

Costs and amounts are empty for who does not see money in that organization.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from rest_framework import serializers

from inventory import explaining, rights
from inventory.api.doors import Own
from inventory.api.shown import AMOUNT, Named, OrganizationShown
from inventory.models import (
    Adjustment,
    Explanation,
    Organization,
    Period,
    PeriodStep,
    Pile,
    Policy,
    Restatement,
    Site,
    StockCount,
)
from inventory.sheet import Sheet
from inventory.sheet_lines import AMOUNTS, Line, Sum


class MoneyHidden:
    """A serializer whose `money` fields are empty for who does not see money in that organization."""

    money: tuple[str, ...] = ()

    def sees_money(self, organization: Organization) -> bool:
        known: dict[int, bool] = self.context.setdefault("sees_money", {})
        if organization.pk not in known:
            known[organization.pk] = rights.can(self.context["request"].user, organization, "see_money")
        return known[organization.pk]

    def to_representation(self, row: Any) -> Any:
        shown = super().to_representation(row)
        if not self.sees_money(self.organization_of(row)):
            shown.update(dict.fromkeys(self.money))
        return shown


class StepShown(serializers.ModelSerializer):
    by = serializers.CharField()

    class Meta:
        model = PeriodStep
        fields = ["id", "from_state", "to_state", "by", "roles", "at", "comment", "sheet_sha256"]


class PeriodShown(serializers.ModelSerializer):
    """`cutoff_at` is the first moment after the period; `sheet_sha256` the hash of its approved lines."""

    site = Named()

    class Meta:
        model = Period
        fields = ["id", "site", "name", "starts_on", "ends_on", "cutoff_at", "state", "sheet_sha256"]


class PeriodGiven(serializers.Serializer):
    day = serializers.DateField()


class CountNamed(serializers.Serializer):
    id = serializers.IntegerField(source="pk")
    counted_on = serializers.DateField()
    tonnes = serializers.DecimalField(**AMOUNT, allow_null=True)
    evidence_ref = serializers.CharField()
    certificate_no = serializers.CharField(allow_null=True)
    certificate_version = serializers.IntegerField(allow_null=True)


def _tonnes(**more: Any) -> serializers.DecimalField:
    return serializers.DecimalField(**AMOUNT, **more)


class Terms(serializers.Serializer):
    """The identity's terms, tonnes; issues are positive."""

    opening_t = _tonnes()
    production_t = _tonnes()
    purchases_t = _tonnes()
    transfers_in_t = _tonnes()
    sales_t = _tonnes()
    transfers_out_t = _tonnes()
    usage_t = _tonnes()
    reclass_t = _tonnes()
    adjustment_t = _tonnes()
    book_closing_t = _tonnes()
    measured_closing_t = _tonnes(allow_null=True)
    variance_t = _tonnes(allow_null=True)
    u95_t = _tonnes(allow_null=True)


class LineShown(Terms):
    """`basis` says which count was taken; `gates` what each gate said, `causes` what may be behind it."""

    pile = Named()
    material = Named(source="pile.material")
    owner = Named(source="pile.owner", allow_null=True)
    count = CountNamed(allow_null=True)
    basis = serializers.CharField()
    rollforward_t = _tonnes(allow_null=True)
    increment_t = _tonnes(allow_null=True)
    gate = serializers.CharField()
    gates = serializers.DictField()
    causes = serializers.ListField(child=serializers.DictField())


class SumShown(Terms):
    """A sum over lines; `u95_t` is its own ±. `measured_n` of `lines_n` piles were measured."""

    key = Named(allow_null=True)
    lines_n = serializers.IntegerField()
    measured_n = serializers.IntegerField()


class MonthSheetShown(serializers.Serializer):
    period = PeriodShown()
    is_kept = serializers.BooleanField()
    lines = LineShown(many=True)
    by_material = SumShown(many=True)
    by_owner = SumShown(many=True)
    total = SumShown()


class TaskShown(serializers.Serializer):
    code = serializers.CharField()
    message = serializers.CharField()
    remedy = serializers.CharField()
    subject = serializers.CharField()


class TasksShown(serializers.Serializer):
    """What stands between the period and its next `step`; `step` is empty where there is none."""

    step = serializers.CharField()
    tasks = TaskShown(many=True)


class ExplanationShown(serializers.ModelSerializer):
    pile = Named()
    by = serializers.CharField()

    class Meta:
        model = Explanation
        fields = ["id", "pile", "cause_code", "text", "by", "at"]


class ExplanationGiven(serializers.Serializer):
    pile = Own(Pile, ("site__organization",))
    cause_code = serializers.ChoiceField(list(explaining.CAUSES), default="other")
    text = serializers.CharField()


class AdjustmentShown(MoneyHidden, serializers.ModelSerializer):
    money = ("unit_cost", "amount")
    pile = Named()
    period = serializers.CharField(source="period.name")
    site = Named(source="period.site")
    proposed_by = serializers.CharField()
    approved_by = serializers.CharField(allow_null=True)

    class Meta:
        model = Adjustment
        fields = ["id", "site", "period", "pile", "tonnes", "nature", "reason_code", "reason", "count"]
        fields += ["unit_cost", "amount", "state", "proposed_by", "proposed_at", "approved_by"]
        fields += ["approved_at", "rejected_reason", "movement", "reverses"]

    def organization_of(self, row: Adjustment) -> Organization:
        return row.period.site.organization


class AdjustmentGiven(serializers.Serializer):
    """`tonnes` signed, positive into the book. A `reason_code` that is unknown is refused with those that
    are known; one of them needs no `count`."""

    pile = Own(Pile, ("site__organization",))
    tonnes = serializers.DecimalField(max_digits=16, decimal_places=3)
    nature = serializers.ChoiceField(Adjustment.Nature.choices)
    reason_code = serializers.CharField(max_length=40)
    reason = serializers.CharField()
    count = Own(StockCount, (), required=False, allow_null=True, default=None)


class RestatementShown(MoneyHidden, serializers.ModelSerializer):
    """`bridge` leads from the old certificate to the new one, with the effect; it holds costs."""

    money = ("bridge",)
    period = serializers.CharField(source="period.name")
    site = Named(source="period.site")
    asked_by = serializers.CharField()
    agreed_by = serializers.CharField(allow_null=True)
    bridge = serializers.DictField(allow_null=True)

    class Meta:
        model = Restatement
        fields = ["id", "site", "period", "reason", "asked_by", "asked_role", "asked_at", "agreed_by"]
        fields += ["agreed_role", "agreed_at", "ended_at", "bridge"]

    def organization_of(self, row: Restatement) -> Organization:
        return row.period.site.organization


class PolicyShown(serializers.ModelSerializer):
    organization = OrganizationShown()
    site = Named(allow_null=True)
    set_by = serializers.CharField()
    thresholds = serializers.DictField()

    class Meta:
        model = Policy
        fields = ["id", "organization", "site", "valid_from", "thresholds", "reason", "set_by", "set_at"]


class PolicyGiven(serializers.Serializer):
    """`thresholds` holds what differs from the defaults; a policy stands as a whole."""

    organization = serializers.SlugField(required=False)
    site = Own(Site, ("organization",), required=False, allow_null=True, default=None)
    thresholds = serializers.DictField()
    valid_from = serializers.DateField()
    reason = serializers.CharField()


def sheet_said(sheet: Sheet, sees_money: bool) -> dict[str, Any]:
    """The sheet as it is shown: no costs for who does not see them; own stock has no key."""
    return {
        "period": sheet.period,
        "is_kept": sheet.is_kept,
        "lines": [line if sees_money else without_money(line) for line in sheet.lines],
        "by_material": [_sum_said(group) for group in sheet.by_material()],
        "by_owner": [_sum_said(group) for group in sheet.by_owner()],
        "total": _sum_said(sheet.total),
    }


def without_money(line: Line) -> Line:
    """The line without what its money gate says."""
    return replace(line, gates={name: said for name, said in line.gates.items() if name != "money"})


def _sum_said(group: Sum) -> dict[str, Any]:
    names = (*AMOUNTS, "book_closing_t", "measured_closing_t", "variance_t", "u95_t", "lines_n", "measured_n")
    key = None if isinstance(group.key, str) else group.key
    return {"key": key, **{name: getattr(group, name) for name in names}}
