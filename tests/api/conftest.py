from __future__ import annotations

from tests.cast import cast, company
from tests.surveys.conftest import bells, yard

__all__ = ["bells", "cast", "company", "yard"]
