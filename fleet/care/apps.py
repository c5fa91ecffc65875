from django.apps import AppConfig


class CareConfig(AppConfig):
    name = "fleet.care"
    default_auto_field = "django.db.models.BigAutoField"
