"""What every test may use. Services and data sets are probed in `tests/services.py`."""

from __future__ import annotations
