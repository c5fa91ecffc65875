from django.apps import AppConfig


class PagesConfig(AppConfig):
    name = "fleet.pages"
    default_auto_field = "django.db.models.BigAutoField"
