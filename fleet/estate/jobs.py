"""Celery entry points: a ring at the bell and the minute's sweep. Each calls a service and holds no state."""

from celery import shared_task

from fleet.estate import background, rounds


@shared_task(name="fleet.estate.jobs.work_off_one")
def work_off_one() -> None:
    background.run_next()


@shared_task(name="fleet.estate.jobs.tick")
def tick() -> None:
    """Ask for the day's work and find what a lost message left behind."""
    rounds.daily_rounds()
    background.work_off()
