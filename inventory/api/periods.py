"""Month end: periods, their sheets and steps, explanations, adjustments, restatements and policies.

Costs and amounts are shown to roles that see money; to others these fields are empty.
"""

from __future__ import annotations

from http import HTTPStatus
from typing import Any

import django_filters as filters
from rest_framework.request import Request
from rest_framework.response import Response

from inventory import adjusting, closing, explaining, periods, policy, restating, rights
from inventory.api.doors import Comment, Door, Posts, Reason, Row, Rows, RowsAndPost
from inventory.api.periods_shown import (
    AdjustmentGiven,
    AdjustmentShown,
    ExplanationGiven,
    ExplanationShown,
    MonthSheetShown,
    PeriodGiven,
    PeriodShown,
    PolicyGiven,
    PolicyShown,
    RestatementShown,
    StepShown,
    TasksShown,
    sheet_said,
)
from inventory.closing_tasks import APPROVE, LOCK, RECONCILE, tasks_before
from inventory.models import (
    Adjustment,
    Explanation,
    Period,
    PeriodStep,
    Policy,
    Restatement,
    Site,
)
from inventory.sheet import sheet_of

OF_PERIOD = ("site__organization",)
NEXT_STEP = {"open": RECONCILE, "counting": RECONCILE, "reconciled": APPROVE, "approved": LOCK}


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
