from django.apps import AppConfig


class InventoryConfig(AppConfig):
    name = "inventory"
    label = "inventory"
    verbose_name = "Book"
    default_auto_field = "django.db.models.BigAutoField"
