"""Celery entry points: a ring at the bell and the minute's tick. Each calls a service and holds no state."""

from django.conf import settings

from fleet.celery import app
from fleet.estate import background, leases, rounds
from fleet.estate.acting import Acting


@app.task(name="fleet.estate.jobs.work_off_one", for_whom=Acting.PROGRAM)
def work_off_one(queue: str = "") -> None:
    background.run_next(queue)


@app.task(name="fleet.estate.jobs.sweep", for_whom=Acting.PROGRAM)
def sweep(name: str) -> None:
    if rounds.run_sweep(name):
        sweep.apply_async(args=(name,), queue=rounds.sweep_names()[name], retry=False)


@app.task(name="fleet.estate.jobs.tick", for_whom=Acting.PROGRAM)
def tick() -> None:
    """Ask for what is to happen by itself, and ring again for what a lost message left behind.

    Messages older than the next tick are dropped unread: each only says what the rows say better.
    """
    if not leases.take("tick", settings.TICK_SECONDS * 0.8):
        return
    rounds.ask_for_rounds()
    expires = max(settings.TICK_SECONDS * 2, 10)
    for name, queue in rounds.sweep_names().items():
        sweep.apply_async(args=(name,), queue=queue, expires=expires, retry=False)
    for queue in (background.ALERTS, background.HEAVY):
        for _ in range(background.due_count(limit=20, queue=queue)):
            work_off_one.apply_async(args=(queue,), queue=queue, expires=expires, retry=False)
