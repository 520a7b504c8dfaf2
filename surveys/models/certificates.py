"""What a certificate says beyond the measurement: stated by people before approval, fixed at approval."""

from __future__ import annotations

from django.conf import settings
from django.db import models
from django.db.models import Q

from inventory.scope import ScopedQuerySet
from surveys.models.measuring import Measurement

WORDS = {"blank": True, "default": ""}


class CertificateParticulars(models.Model):
    """What the surveyor states for the certificate of one measurement; a change is a further version.

    An empty field is printed as "not stated", never filled in. Rows are write-once by database triggers, and
    no version can follow once the measurement is approved: the newest one then is the one certified.
    `instruments` is a list of {kind, serial, calibrated_on}; `limitations` maps each kind of limitation to
    {applies: "yes" or "no", note}, a kind that is missing is not stated.
    """

    organization_path = "measurement__survey__site__organization"

    class Sealed(models.TextChoices):
        NOT_STATED = "", "not stated"
        YES = "yes", "yes, a sealed document is required"
        NO = "no", "no sealed document is required"
        NOT_DETERMINED = "not-determined", "not determined"

    class Engagement(models.TextChoices):
        NOT_STATED = "", "not stated"
        EMPLOYED = "employed", "employed by the owner of the stock"
        INDEPENDENT = "independent", "independent of the owner of the stock"

    class Distances(models.TextChoices):
        NOT_STATED = "", "not stated"
        GRID = "grid", "grid distances"
        GROUND = "ground", "ground distances"

    measurement = models.ForeignKey(Measurement, on_delete=models.PROTECT, related_name="particulars")
    version = models.PositiveIntegerField()

    purpose = models.TextField(**WORDS)
    intended_user = models.TextField(**WORDS)
    cut_off_at = models.DateTimeField(null=True, blank=True)
    distribution = models.TextField(**WORDS)
    retention_class = models.CharField(max_length=200, **WORDS)

    crew = models.TextField(**WORDS)
    responsible_professional = models.CharField(max_length=200, **WORDS)
    licence_number = models.CharField(max_length=80, **WORDS)
    licence_expires_on = models.DateField(null=True, blank=True)
    jurisdiction = models.CharField(max_length=200, **WORDS)
    engagement = models.CharField(max_length=20, choices=Engagement, **WORDS)
    sealed_document_required = models.CharField(max_length=20, choices=Sealed, **WORDS)
    sealed_determined_by = models.CharField(max_length=200, **WORDS)
    sealed_document = models.CharField(max_length=200, **WORDS)

    instruments = models.JSONField(default=list, blank=True)
    coordinate_system = models.CharField(max_length=200, **WORDS)
    height_datum = models.CharField(max_length=200, **WORDS)
    distances = models.CharField(max_length=20, choices=Distances, **WORDS)
    control_closure = models.TextField(**WORDS)

    limitations = models.JSONField(default=dict, blank=True)
    walls = models.TextField(**WORDS)
    unseen = models.TextField(**WORDS)
    photos = models.TextField(**WORDS)

    stated_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    stated_at = models.DateTimeField()

    objects = ScopedQuerySet.as_manager()

    class Meta:
        ordering = ["measurement", "-version"]
        constraints = [
            models.UniqueConstraint(fields=["measurement", "version"], name="particulars_version_once"),
            models.CheckConstraint(
                name="sealed_document_known",
                condition=Q(sealed_document_required__in=["", "yes", "no", "not-determined"]),
            ),
            models.CheckConstraint(
                name="engagement_known", condition=Q(engagement__in=["", "employed", "independent"])
            ),
            models.CheckConstraint(name="distances_known", condition=Q(distances__in=["", "grid", "ground"])),
        ]

    def __str__(self) -> str:
        return f"particulars v{self.version} of {self.measurement}"


class IssuedCertificate(models.Model):
    """The certificate of an approved measurement, as it stood when it was issued. Write-once by triggers.

    `content` holds every name and fact that the book could word otherwise later (a pile renamed, a person
    gone), and the change since the survey before. Figures and hashes are those of the measurement itself.
    """

    organization_path = "measurement__survey__site__organization"

    measurement = models.OneToOneField(Measurement, on_delete=models.PROTECT, related_name="certificate")
    number = models.CharField(max_length=60)
    version = models.PositiveIntegerField()
    particulars = models.ForeignKey(
        CertificateParticulars, on_delete=models.PROTECT, null=True, blank=True, related_name="+"
    )
    content = models.JSONField()
    digest = models.CharField(max_length=64)
    issued_at = models.DateTimeField()

    objects = ScopedQuerySet.as_manager()

    class Meta:
        ordering = ["number", "-version"]
        indexes = [models.Index(fields=["number", "-version"])]
        constraints = [
            models.CheckConstraint(
                name="certificate_is_numbered", condition=Q(number__gt="", version__gte=1)
            ),
        ]

    def __str__(self) -> str:
        return f"{self.number} v{self.version}"
