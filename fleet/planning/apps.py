from django.apps import AppConfig


class PlanningConfig(AppConfig):
    name = "fleet.planning"
    default_auto_field = "django.db.models.BigAutoField"

    def ready(self) -> None:
        from fleet.planning import capital_jobs, jobs, refresh  # noqa: F401 - registers the background work
