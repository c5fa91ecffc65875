from django.apps import AppConfig


class HeatersConfig(AppConfig):
    name = "fleet.heaters"
    default_auto_field = "django.db.models.BigAutoField"

    def ready(self) -> None:
        from fleet.heaters import import_jobs, leftovers, made_exports, quality_jobs, retention  # noqa: F401 - registers the background work
