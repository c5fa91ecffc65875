from pathlib import Path

from django.apps import AppConfig
from django.conf import settings
from django.db.models.signals import post_migrate


class PagesConfig(AppConfig):
    name = "fleet.pages"
    default_auto_field = "django.db.models.BigAutoField"

    def ready(self) -> None:
        from fleet.pages import trigrams

        post_migrate.connect(trigrams.install, sender=self)
        # The embedded mode collects no static files; the server of them only warns when their folder is missing.
        if settings.EMBEDDED:
            Path(settings.STATIC_ROOT).mkdir(parents=True, exist_ok=True)
