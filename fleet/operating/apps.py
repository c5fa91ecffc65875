from django.apps import AppConfig


class OperatingConfig(AppConfig):
    name = "fleet.operating"
    default_auto_field = "django.db.models.BigAutoField"
