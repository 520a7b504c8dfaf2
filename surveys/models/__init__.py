"""Models of the evidence, by what they keep."""

from surveys.models.certificates import CertificateParticulars, IssuedCertificate
from surveys.models.evidence import ControlPoint, StoredFile, Survey, SurveyFile
from surveys.models.measuring import FindingAcceptance, JobState, Measurement, State, Transition
from surveys.models.watching import Alert, WorkerBeat

__all__ = [
    "Alert",
    "CertificateParticulars",
    "ControlPoint",
    "FindingAcceptance",
    "IssuedCertificate",
    "JobState",
    "Measurement",
    "State",
    "StoredFile",
    "Survey",
    "SurveyFile",
    "Transition",
    "WorkerBeat",
]
