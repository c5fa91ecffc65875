from django.apps import AppConfig


class OperatingConfig(AppConfig):
    name = "fleet.operating"
    default_auto_field = "django.db.models.BigAutoField"

    def ready(self) -> None:
        from fleet.operating import tidying, worker_signs  # noqa: F401 - registers tidying and the signs of life
