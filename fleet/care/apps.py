from django.apps import AppConfig


class CareConfig(AppConfig):
    name = "fleet.care"
    default_auto_field = "django.db.models.BigAutoField"

    def ready(self) -> None:
        from fleet.care import jobs, retention  # noqa: F401  registers the work
