from __future__ import annotations

import datetime as dt
from zoneinfo import ZoneInfo

from django.core.validators import MinValueValidator
from django.db import models

from inventory.models.people import Organization
from inventory.scope import ScopedQuerySet
from inventory.units import LENGTH_IN_M, MASS_IN_T, SYMBOLS, VOLUME_IN_M3


def _choices(units: object) -> list[tuple[str, str]]:
    return [(unit, f"{unit.replace('-', ' ')} ({SYMBOLS[unit]})") for unit in units]


class Site(models.Model):
    """A yard, quarry or wharf: one frame, one set of units, one time zone.

    `day_end` is the local time at which the site's day ends; 00:00 is midnight. The three JSON fields
    hold only what differs from the defaults: `code_rules` role → patterns, `uncertainty` term → value
    in metres, `limits` finding limit → value. They are read by the evidence, not by the book.
    """

    organization_path = "organization"

    organization = models.ForeignKey(Organization, on_delete=models.PROTECT, related_name="sites")
    code = models.CharField(max_length=20)
    name = models.CharField(max_length=200)
    timezone = models.CharField(max_length=64, default="UTC")
    length_unit = models.CharField(max_length=20, choices=_choices(LENGTH_IN_M), default="metre")
    volume_unit = models.CharField(max_length=20, choices=_choices(VOLUME_IN_M3), default="cubic-metre")
    mass_unit = models.CharField(max_length=20, choices=_choices(MASS_IN_T), default="tonne")
    code_rules = models.JSONField(default=dict, blank=True)
    survey_method = models.CharField(max_length=40, default="total-station")
    survey_every_days = models.PositiveIntegerField(
        null=True, blank=True, default=31, validators=[MinValueValidator(1)]
    )
    day_end = models.TimeField(default=dt.time(0, 0))
    uncertainty = models.JSONField(default=dict, blank=True)
    limits = models.JSONField(default=dict, blank=True)
    currency = models.CharField(max_length=8, blank=True, default="")

    objects = ScopedQuerySet.as_manager()

    class Meta:
        ordering = ["organization", "code"]
        constraints = [
            models.UniqueConstraint(fields=["organization", "code"], name="site_code_unique"),
            models.CheckConstraint(condition=~models.Q(code="") & ~models.Q(name=""), name="site_is_named"),
            models.CheckConstraint(
                condition=models.Q(length_unit__in=list(LENGTH_IN_M)), name="site_length_unit_known"
            ),
            models.CheckConstraint(
                condition=models.Q(volume_unit__in=list(VOLUME_IN_M3)), name="site_volume_unit_known"
            ),
            models.CheckConstraint(
                condition=models.Q(mass_unit__in=list(MASS_IN_T)), name="site_mass_unit_known"
            ),
            models.CheckConstraint(
                condition=models.Q(survey_every_days__isnull=True) | models.Q(survey_every_days__gte=1),
                name="site_rhythm_positive",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.code} {self.name}"

    @property
    def zone(self) -> ZoneInfo:
        return ZoneInfo(self.timezone)

    def date_of(self, moment: dt.datetime) -> dt.date:
        """The site's day that `moment` (aware) belongs to: local date, cut at `day_end`.

        With `day_end` 06:00, 05:59 local still belongs to the day before.
        """
        local = moment.astimezone(self.zone)
        return local.date() - dt.timedelta(days=1) if local.time() < self.day_end else local.date()
