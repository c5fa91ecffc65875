"""Celery entry points: a ring at the bell and the minute's sweep. Each calls a service and holds no state."""

from fleet.celery import app
from fleet.estate import background, rounds


@app.task(name="fleet.estate.jobs.work_off_one")
def work_off_one() -> None:
    background.run_next()


@app.task(name="fleet.estate.jobs.tick")
def tick() -> None:
    """Ask for the day's work, and ring again for what a lost message left behind."""
    rounds.daily_rounds()
    for _ in range(background.due_count(limit=20)):
        work_off_one.apply_async(retry=False)
