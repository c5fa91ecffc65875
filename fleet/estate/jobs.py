"""Celery entry points: a ring at the bell and the minute's sweep. Each calls a service and holds no state."""

from celery import shared_task

from fleet.estate import background


@shared_task(name="fleet.estate.jobs.work_off_one")
def work_off_one() -> None:
    background.run_next()


@shared_task(name="fleet.estate.jobs.tick")
def tick() -> None:
    """Find what a lost message left behind."""
    background.work_off()
