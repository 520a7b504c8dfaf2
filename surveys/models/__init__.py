"""Models of the evidence, by what they keep."""

from surveys.models.evidence import ControlPoint, StoredFile, Survey, SurveyFile
from surveys.models.measuring import FindingAcceptance, JobState, Measurement, State, Transition
from surveys.models.watching import Alert, WorkerBeat

__all__ = [
    "Alert",
    "ControlPoint",
    "FindingAcceptance",
    "JobState",
    "Measurement",
    "State",
    "StoredFile",
    "Survey",
    "SurveyFile",
    "Transition",
    "WorkerBeat",
]
