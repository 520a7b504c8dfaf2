"""The addresses of the API: the evidence's own and, under the same root, the book's."""

from __future__ import annotations

from django.urls import include, path
from drf_spectacular.views import SpectacularAPIView

from surveys.api import (
    control,
    control_history,
    evidence,
    exports,
    fieldbooks,
    measurements,
    outlook,
    surveys,
)

FILES = "surveys/<int:survey_id>/files/"
CONTROL = "sites/<int:site_id>/control-points/"
REDUCTION = "reductions/<int:reduction_id>/"
ONE = "measurements/<int:measurement_id>/"

urlpatterns = [
    path("schema/", SpectacularAPIView.as_view()),
    path("", include("inventory.api.urls")),
    path("piles/<int:pile_id>/surveyed-bases/", surveys.SurveyedBases.as_view()),
    path(CONTROL, control.ControlPoints.as_view()),
    path(f"{CONTROL}<int:control_id>/", control.ControlPointRow.as_view()),
    path(f"{CONTROL}<int:control_id>/approve/", control.ApproveControl.as_view()),
    path(f"{CONTROL}<int:control_id>/withdraw/", control.WithdrawControl.as_view()),
    path(f"{CONTROL}<int:control_id>/suspect/", control.DoubtControl.as_view()),
    path(f"{CONTROL}<int:control_id>/restore/", control.RestoreControl.as_view()),
    path(f"{CONTROL}<int:control_id>/destroyed/", control.DestroyControl.as_view()),
    path(f"{CONTROL}<int:control_id>/checks/", control_history.Checks.as_view()),
    path(f"{CONTROL}<int:control_id>/events/", control_history.Events.as_view()),
    path("sites/<int:site_id>/control-motion/", control_history.Motion.as_view()),
    path("surveys/", surveys.Surveys.as_view()),
    path("surveys/<int:survey_id>/", surveys.SurveyRow.as_view()),
    path("surveys/<int:survey_id>/progress/", surveys.SurveyProgress.as_view()),
    path(FILES, surveys.Files.as_view()),
    path(f"{FILES}<int:file_id>/", surveys.FileRow.as_view()),
    path(f"{FILES}<int:file_id>/columns/", surveys.DeclareColumns.as_view()),
    path(f"{FILES}<int:file_id>/set-aside/", surveys.SetAside.as_view()),
    path(f"{FILES}<int:file_id>/reductions/", fieldbooks.Reductions.as_view()),
    path(f"{FILES}<int:file_id>/corrections/", fieldbooks.Corrections.as_view()),
    path(f"{FILES}<int:file_id>/accept-misclosure/", fieldbooks.AcceptMisclosure.as_view()),
    path(REDUCTION, fieldbooks.ReductionRow.as_view()),
    path(f"{REDUCTION}sheet/", fieldbooks.ReductionSheet.as_view()),
    path(f"{REDUCTION}accept/", fieldbooks.AcceptReduction.as_view()),
    path(f"{REDUCTION}send-back/", fieldbooks.SendReductionBack.as_view()),
    path("surveys/<int:survey_id>/measure/", surveys.Measure.as_view()),
    path("measurements/", measurements.Measurements.as_view()),
    path(ONE, measurements.MeasurementRow.as_view()),
    path(f"{ONE}acceptances/", measurements.AcceptFinding.as_view()),
    path(f"{ONE}submit/", measurements.Submit.as_view()),
    path(f"{ONE}review/", measurements.Review.as_view()),
    path(f"{ONE}approve/", measurements.Approve.as_view()),
    path(f"{ONE}send-back/", measurements.SendBack.as_view()),
    path(f"{ONE}withdraw/", measurements.Withdraw.as_view()),
    path(f"{ONE}revoke/", measurements.Revoke.as_view()),
    path(f"{ONE}recompute/", measurements.Recompute.as_view()),
    path(f"{ONE}export/<str:part>", exports.SurfaceFile.as_view()),
    path("exports/stock.<str:form>", exports.StockFile.as_view()),
    path("exports/evidence/<int:year>.zip", evidence.EvidencePack.as_view()),
    path("alerts/", surveys.Alerts.as_view()),
    path("alerts/<int:alert_id>/own/", outlook.OwnAlert.as_view()),
    path("alerts/<int:alert_id>/accept/", outlook.AcceptAlert.as_view()),
    path("limits/", outlook.Limits.as_view()),
    path("limits/<int:limit_id>/", outlook.LimitRow.as_view()),
    path("limits/<int:limit_id>/approve/", outlook.ApproveLimit.as_view()),
    path("limits/<int:limit_id>/withdraw/", outlook.WithdrawLimit.as_view()),
    path("limit-tests/", outlook.LimitTests.as_view()),
    path("piles/<int:pile_id>/hazards/", outlook.Hazards.as_view()),
    path("hazards/<int:hazard_id>/end/", outlook.EndHazard.as_view()),
    path("piles/<int:pile_id>/outlook/", outlook.PileOutlook.as_view()),
]
