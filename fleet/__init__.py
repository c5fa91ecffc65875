"""The records, the work and the money: the Django project."""

from fleet.celery import app as celery_app

__all__ = ["celery_app"]
