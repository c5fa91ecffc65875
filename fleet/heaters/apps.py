from django.apps import AppConfig


class HeatersConfig(AppConfig):
    name = "fleet.heaters"
    default_auto_field = "django.db.models.BigAutoField"
