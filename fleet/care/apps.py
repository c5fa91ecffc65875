from django.apps import AppConfig
from django.db.models.signals import post_migrate


class CareConfig(AppConfig):
    name = "fleet.care"
    default_auto_field = "django.db.models.BigAutoField"

    def ready(self) -> None:
        from fleet.care import due_sums, jobs, retention  # noqa: F401  registers the work

        post_migrate.connect(due_sums.KEPT.watch, sender=self)
