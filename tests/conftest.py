"""What every test may use. Services and data sets are probed in `tests/services.py`."""

from __future__ import annotations

import pytest

pytest_plugins = ["tests.services", "tests.browser", "tests.flush"]


@pytest.fixture
def broker_url() -> str:
    """A RabbitMQ for real; ask for it in a test marked `rabbitmq`, with a queue name of your own."""
    from tests import services

    return services.broker_url()
