"""An approved, corrected pile in a database of its own: `python -m tests.surveys.certificate_desk`.

Runs with the environment of the service under test.
"""

from __future__ import annotations

import datetime as dt

import django


def seed() -> None:
    from django.conf import settings

    from surveys import review
    from surveys.certificates.particulars import state_particulars
    from tests.cast import found_cast
    from tests.surveys.scene import heap, yard_of

    settings.PASSWORD_HASHERS = ["django.contrib.auth.hashers.MD5PasswordHasher"]
    yard = yard_of(found_cast().a)
    yard.approved(day=dt.date(2025, 5, 30))
    first = yard.reviewed(heap(6.0))
    state_particulars(first, yard.surveyor, {"purpose": "month-end stock", "crew": "Surveyor 1"})
    review.approve(first, yard.lead)
    review.approve(yard.review(yard.correction(first, heap(5.5))), yard.lead)


if __name__ == "__main__":
    django.setup()
    seed()
