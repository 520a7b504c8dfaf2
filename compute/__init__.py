"""The calculator: arrays and plain frozen records in, plain records out.

Imports no Django, no Celery and no database, so that a notebook can use it. The way of one
measurement is `compute.measure.measure`.
"""

ALGORITHM = "heapledger-2"
"""Name of the calculation. It changes whenever the same input may give another digit."""
