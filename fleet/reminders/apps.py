from django.apps import AppConfig


class RemindersConfig(AppConfig):
    name = "fleet.reminders"
    default_auto_field = "django.db.models.BigAutoField"

    def ready(self) -> None:
        from fleet.reminders import jobs  # noqa: F401 - registers the background work
