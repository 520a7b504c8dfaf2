"""What a variance most likely is: causes ranked by how well each explains the whole yard's months.

A cause is never asserted. Each comes with the numbers behind it and with what would settle it.
"""

from inventory.causes.history import Change, PileHistory, Yard
from inventory.causes.ranking import CODES, Cause, likely_causes

__all__ = ["CODES", "Cause", "Change", "PileHistory", "Yard", "likely_causes"]
