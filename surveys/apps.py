"""The evidence: dated surveys, their files, jobs, measurements and approvals."""

from __future__ import annotations

from django.apps import AppConfig


class SurveysConfig(AppConfig):
    name = "surveys"
    default_auto_field = "django.db.models.BigAutoField"
    verbose_name = "Surveys"

    def ready(self) -> None:
        from surveys.month_tasks import tell_the_book

        tell_the_book()
