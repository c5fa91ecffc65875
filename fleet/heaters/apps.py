from django.apps import AppConfig
from django.db.models.signals import post_migrate


class HeatersConfig(AppConfig):
    name = "fleet.heaters"
    default_auto_field = "django.db.models.BigAutoField"

    def ready(self) -> None:
        # Importing registers the background work.
        from fleet.heaters import import_jobs, leftovers, made_exports, quality_jobs, record_sums, retention  # noqa: F401

        post_migrate.connect(record_sums.KEPT.watch, sender=self)
