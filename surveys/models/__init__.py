"""Models of the evidence, by what they keep."""

from surveys.models.certificates import CertificateParticulars, IssuedCertificate
from surveys.models.evidence import ControlPoint, StoredFile, Survey, SurveyFile
from surveys.models.fieldwork import BookReduction, CheckMeasurement, ControlEvent, SetupCorrection
from surveys.models.measuring import FindingAcceptance, JobState, Measurement, State, Transition
from surveys.models.watching import Alert, AlertMail, SurfaceFacts, WorkerBeat

__all__ = [
    "Alert",
    "AlertMail",
    "BookReduction",
    "CertificateParticulars",
    "CheckMeasurement",
    "ControlEvent",
    "ControlPoint",
    "FindingAcceptance",
    "IssuedCertificate",
    "JobState",
    "Measurement",
    "SetupCorrection",
    "State",
    "StoredFile",
    "SurfaceFacts",
    "Survey",
    "SurveyFile",
    "Transition",
    "WorkerBeat",
]
