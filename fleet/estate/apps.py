from django.apps import AppConfig


class EstateConfig(AppConfig):
    name = "fleet.estate"
    default_auto_field = "django.db.models.BigAutoField"

    def ready(self) -> None:
        # Jobs, receivers and a lookup register themselves.
        from fleet.estate import account_mail, among, retention, sessions  # noqa: F401
