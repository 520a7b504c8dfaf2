"""What the evidence refuses, in the same tree and the same words as the calculator's refusals."""

from __future__ import annotations

from compute.errors import Refused


class EvidenceRefused(Refused):
    """Base of everything this room refuses. What was asked for is not done, and nothing was changed."""

    code = "evidence-refused"


class FileTooLarge(EvidenceRefused):
    code = "file-too-large"
    remedy = "Send the piles in several files, or ask the administrator to raise the limit."


class EvidenceMissing(EvidenceRefused):
    """Bytes that a row names are not in the store."""

    code = "evidence-missing"
    remedy = "Restore the store from its backup. The row and its hash are kept."


class EvidenceDamaged(EvidenceRefused):
    """Bytes in the store no longer have the hash under which they were received."""

    code = "evidence-damaged"
    remedy = "Restore the store from its backup. The row and its hash are kept."


class WrongDate(EvidenceRefused):
    code = "wrong-date"
    remedy = "Correct the date or the times of the survey."


class WrongPile(EvidenceRefused):
    """A pile of another site, or one that was not open on the date of the survey."""

    code = "wrong-pile"
    remedy = "Choose a pile of the same site that was open on the date of the survey."


class NothingRead(EvidenceRefused):
    code = "nothing-read"
    remedy = "Send a point file, or settle the columns of those that wait for a choice."


class ControlMissing(EvidenceRefused):
    """A field book that hangs on no known place."""

    code = "control-missing"
    remedy = "Record the control of the site, or give the known stations with the book."


class BookNotClosed(EvidenceRefused):
    """A field book whose misclosure is beyond its limit, without a correction or a reason."""

    code = "book-not-closed"
    remedy = "Correct the set-up that is wrong in a new version, or accept the misclosure with a reason."


class ReductionNotAccepted(EvidenceRefused):
    code = "reduction-not-accepted"
    remedy = "Have the reduction accepted by another person, or measure again from the one that is."


class ReductionDiffers(EvidenceRefused):
    """A pinned field book reduced again gives another digest than the one on record."""

    code = "reduction-differs"
    remedy = "Reduce the book again in a new version and measure from it."


class ReasonNeeded(EvidenceRefused):
    code = "reason-needed"
    remedy = "Say why in a few words; the reason stays with the record."


class FootprintsOverlap(EvidenceRefused):
    """Two piles of one date stand on the same ground."""

    code = "footprints-overlap"
    remedy = (
        "Correct the outer edge of one in a new version, agree a line between them, or merge them if they "
        "are one material."
    )


class WrongState(EvidenceRefused):
    """The step asked for does not start from the state in which the measurement is."""

    code = "wrong-state"
    remedy = "Load the page again to see what happened meanwhile."


class FindingsOpen(EvidenceRefused):
    code = "findings-open"
    remedy = "Correct the survey in a new version, or accept each finding with a reason."


class WorkGivenUp(EvidenceRefused):
    """Every attempt to compute ended without a result, for reasons that are not in the data."""

    code = "work-given-up"
    remedy = "Measure the pile again. If it fails again, give the reason shown to the administrator."


class NoSuchFinding(EvidenceRefused):
    code = "no-such-finding"
    remedy = "Choose one of the findings of this measurement."


class CertificateNumberUnclear(EvidenceRefused):
    code = "certificate-number-unclear"
    remedy = "Give pile and date, such as DRV-05/2025-04-30, with /v2 for a version."


class NoSuchCertificate(EvidenceRefused):
    """No approved measurement has the number, or only ones that no longer stand."""

    code = "no-such-certificate"
    remedy = "Check pile, date and version; only what was approved has a certificate."


class CertificateAmbiguous(EvidenceRefused):
    code = "certificate-ambiguous"
    remedy = "Say which with --organization, and --site where one organization has two such piles."
