"""Month end: periods, their sheets and steps, explanations, adjustments, restatements and policies.

Costs and amounts are shown to roles that see money; to others these fields are empty.
"""

from __future__ import annotations

from dataclasses import replace
from http import HTTPStatus
from typing import Any

import django_filters as filters
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from inventory import adjusting, closing, explaining, periods, policy, restating, rights
from inventory.api.doors import Comment, Door, Own, Posts, Reason, Row, Rows, RowsAndPost
from inventory.api.shown import AMOUNT, Named, OrganizationShown
from inventory.closing_tasks import APPROVE, LOCK, RECONCILE, tasks_before
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
from inventory.sheet import Sheet, sheet_of
from inventory.sheet_lines import AMOUNTS, Line, Sum

OF_PERIOD = ("site__organization",)
NEXT_STEP = {"open": RECONCILE, "counting": RECONCILE, "reconciled": APPROVE, "approved": LOCK}


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


class OfPeriod(filters.FilterSet):
    name = filters.CharFilter("name")
    state = filters.CharFilter("state")


class Periods(RowsAndPost):
    """The months of a site; opening the one of a day, with all between it and those that exist."""

    model, related = Period, OF_PERIOD
    parents, owner = {"site_id": "site_id"}, ("site_id", Site)
    serializer_class, given_class = PeriodShown, PeriodGiven
    filterset_class = OfPeriod

    def act(self, given: dict[str, Any]) -> Response:
        site = self.mine(Site, self.kwargs["site_id"], "organization")
        return self.show(periods.open_period(site, given["day"], self.request.user))


class OnePeriod(Door):
    """What every door about one period knows."""

    model, related = Period, OF_PERIOD
    lookup_url_kwarg = "period_id"


class PeriodRow(OnePeriod, Row):
    """One month of one site."""

    serializer_class = PeriodShown


class PeriodSheet(OnePeriod):
    """The month-end sheet: kept lines once the period is reconciled, else as it stands now."""

    serializer_class = MonthSheetShown

    def get(self, request: Request, **kwargs: Any) -> Response:
        sheet = sheet_of(self.get_object())
        sees_money = rights.can(request.user, sheet.period.site.organization, "see_money")
        return self.show(sheet_said(sheet, sees_money), HTTPStatus.OK)


class PeriodTasks(OnePeriod):
    """What has to be done before the period can take its next step."""

    serializer_class = TasksShown

    def get(self, request: Request, **kwargs: Any) -> Response:
        period = self.get_object()
        step = NEXT_STEP.get(period.state, "")
        tasks = tasks_before(step, period, sheet_of(period)) if step else []
        return self.show({"step": step, "tasks": tasks}, HTTPStatus.OK)


class OfOnePeriod(Door):
    """Rows that belong to a period."""

    parents, owner = {"period_id": "period_id"}, ("period_id", Period)

    def period(self) -> Any:
        return self.mine(Period, self.kwargs["period_id"], *OF_PERIOD)


class Steps(OfOnePeriod, Rows):
    """Who took which step of the period, newest first."""

    model, related = PeriodStep, ("by",)
    serializer_class = StepShown


class PeriodStepDoor(OnePeriod, Posts):
    """A step of a period. What stands in its way is told all at once."""

    serializer_class, given_class, status = PeriodShown, Comment, HTTPStatus.OK
    verb: Any = None

    def act(self, given: dict[str, Any]) -> Response:
        return self.show(type(self).verb(self.get_object(), self.request.user, given["reason"]))


class StartCounting(PeriodStepDoor):
    """The month is over or nearly so: counts and late tickets come in."""

    verb = closing.start_counting


class StopCounting(PeriodStepDoor):
    """Back to an open month, with a reason."""

    verb = closing.stop_counting


class Reconcile(PeriodStepDoor):
    """Keep the sheet as it stands: the accountant's step."""

    verb = closing.reconcile


class ReconcileAgain(PeriodStepDoor):
    """Keep the sheet anew after something changed."""

    verb = closing.reconcile_again


class SendBack(PeriodStepDoor):
    """A reconciled month goes back to counting, with a reason."""

    verb = closing.send_back


class ApprovePeriod(PeriodStepDoor):
    """A manager stands for the figures; nothing enters the month any more."""

    verb = closing.approve


class TakeApprovalBack(PeriodStepDoor):
    """An approved month that is not locked goes back to reconciled, with a reason."""

    verb = closing.take_approval_back


class LockPeriod(PeriodStepDoor):
    """A controller closes the month; the invariants of the book are run first."""

    verb = closing.lock


class Explanations(OfOnePeriod, RowsAndPost):
    """What people say about the variances of a period."""

    model, related = Explanation, ("pile", "by")
    serializer_class, given_class = ExplanationShown, ExplanationGiven

    def act(self, given: dict[str, Any]) -> Response:
        return self.show(explaining.explain(self.period(), by=self.request.user, **given))


OF_ADJUSTMENT = ("period__site__organization", "pile", "proposed_by", "approved_by")


class Adjustments(OfOnePeriod, RowsAndPost):
    """The adjustments of a period; proposing one."""

    model, related = Adjustment, OF_ADJUSTMENT
    serializer_class, given_class = AdjustmentShown, AdjustmentGiven

    def act(self, given: dict[str, Any]) -> Response:
        return self.show(adjusting.propose_adjustment(self.period(), by=self.request.user, **given))


class AdjustmentRow(Row):
    """One adjustment."""

    model, related = Adjustment, OF_ADJUSTMENT
    lookup_url_kwarg = "adjustment_id"
    serializer_class = AdjustmentShown


class AdjustmentStep(Posts):
    """A step of an adjustment."""

    model, related = Adjustment, OF_ADJUSTMENT
    lookup_url_kwarg = "adjustment_id"
    serializer_class, given_class, status = AdjustmentShown, Comment, HTTPStatus.OK


class ApproveAdjustment(AdjustmentStep):
    """A controller's name under another person's proposal."""

    def act(self, given: dict[str, Any]) -> Response:
        return self.show(adjusting.approve_adjustment(self.get_object(), self.request.user))


class RejectAdjustment(AdjustmentStep):
    """Refuse a proposal, with a reason."""

    given_class = Reason

    def act(self, given: dict[str, Any]) -> Response:
        return self.show(adjusting.reject_adjustment(self.get_object(), self.request.user, given["reason"]))


class PostAdjustment(AdjustmentStep):
    """Movement and journal entry in one transaction."""

    def act(self, given: dict[str, Any]) -> Response:
        return self.show(adjusting.post_adjustment(self.get_object(), self.request.user))


OF_RESTATEMENT = ("period__site__organization", "asked_by", "agreed_by")


class Restatements(OfOnePeriod, RowsAndPost):
    """Restatements of a locked period; asking for one."""

    model, related = Restatement, OF_RESTATEMENT
    serializer_class, given_class = RestatementShown, Reason

    def act(self, given: dict[str, Any]) -> Response:
        return self.show(restating.ask_restatement(self.period(), self.request.user, given["reason"]))


class RestatementRow(Row):
    """One restatement, with its bridge once it ended."""

    model, related = Restatement, OF_RESTATEMENT
    lookup_url_kwarg = "restatement_id"
    serializer_class = RestatementShown


class RestatementStep(Posts):
    """A step of a restatement."""

    model, related = Restatement, OF_RESTATEMENT
    lookup_url_kwarg = "restatement_id"
    serializer_class, given_class, status = RestatementShown, Comment, HTTPStatus.OK


class AgreeRestatement(RestatementStep):
    """The second name: the period opens."""

    def act(self, given: dict[str, Any]) -> Response:
        return self.show(restating.agree_restatement(self.get_object(), self.request.user))


class ReconcileRestated(RestatementStep):
    """Keep the sheet of the opened period anew."""

    def act(self, given: dict[str, Any]) -> Response:
        row = restating.reconcile_restated(self.get_object(), self.request.user, given["reason"])
        return self.show(row)


class EndRestatement(RestatementStep):
    """Lock the period again, with the bridge."""

    def act(self, given: dict[str, Any]) -> Response:
        return self.show(restating.end_restatement(self.get_object(), self.request.user, given["reason"]))


class Policies(RowsAndPost):
    """Thresholds by date; setting new ones."""

    model, related = Policy, ("organization", "site", "set_by")
    serializer_class, given_class = PolicyShown, PolicyGiven

    def act(self, given: dict[str, Any]) -> Response:
        site = given["site"]
        slug = given.pop("organization", None)
        organization = site.organization if site is not None and slug is None else self.organization(slug)
        return self.show(policy.set_policy(organization, by=self.request.user, **given))


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
