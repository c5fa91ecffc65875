from django.apps import AppConfig


class ContractsConfig(AppConfig):
    name = "fleet.contracts"
    default_auto_field = "django.db.models.BigAutoField"

    def ready(self) -> None:
        from fleet.contracts import jobs  # noqa: F401  registers the work
