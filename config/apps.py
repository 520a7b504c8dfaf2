from django.apps import AppConfig


class WiringConfig(AppConfig):
    """Wiring: settings, system checks, the Celery app and the health page. No models."""

    name = "config"
    label = "wiring"

    def ready(self) -> None:
        # Both register by being imported: the checks with Django, the app as Celery's current one.
        from config import celery, checks  # noqa: F401
