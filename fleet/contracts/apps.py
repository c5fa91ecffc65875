from django.apps import AppConfig


class ContractsConfig(AppConfig):
    name = "fleet.contracts"
    default_auto_field = "django.db.models.BigAutoField"
