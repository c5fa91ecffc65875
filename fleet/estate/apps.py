from django.apps import AppConfig


class EstateConfig(AppConfig):
    name = "fleet.estate"
    default_auto_field = "django.db.models.BigAutoField"
