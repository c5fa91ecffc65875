from django.apps import AppConfig


class EstateConfig(AppConfig):
    name = "fleet.estate"
    default_auto_field = "django.db.models.BigAutoField"

    def ready(self) -> None:
        from fleet.estate import account_mail, retention, sessions  # noqa: F401 - jobs and receivers register themselves
