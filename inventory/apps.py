from django.apps import AppConfig


class InventoryConfig(AppConfig):
    """The book: what exists, what was counted."""

    name = "inventory"
    label = "inventory"
    default_auto_field = "django.db.models.BigAutoField"
