from pathlib import Path

from django.apps import AppConfig
from django.conf import settings


class PagesConfig(AppConfig):
    name = "fleet.pages"
    default_auto_field = "django.db.models.BigAutoField"

    def ready(self) -> None:
        # The embedded mode collects no static files; the server of them only warns when their folder is missing.
        if settings.EMBEDDED:
            Path(settings.STATIC_ROOT).mkdir(parents=True, exist_ok=True)
