"""What the machine that watches asks: does the database answer, is it up to date, is the queue there, does anyone work?"""

from __future__ import annotations

import logging

from django.conf import settings
from django.db import DatabaseError, connection
from django.db.migrations.executor import MigrationExecutor

from fleet.operating import worker_signs

logger = logging.getLogger(__name__)
_up_to_date = False


def database_answers() -> bool:
    try:
        with connection.cursor() as cursor:
            cursor.execute("SELECT 1")
    except DatabaseError:
        return False
    return True


def pending_migrations() -> list[str]:
    executor = MigrationExecutor(connection)
    plan = executor.migration_plan(executor.loader.graph.leaf_nodes())
    return [f"{migration.app_label} {migration.name}" for migration, _ in plan]


def up_to_date() -> bool:
    """Once the tables are up to date they stay so for this process's code; until then, look again each time."""
    global _up_to_date
    _up_to_date = _up_to_date or not pending_migrations()
    return _up_to_date


def queue_answers(seconds: float = 2) -> bool:
    """The embedded mode has no queue beside the database."""
    if not settings.REDIS_URL:
        return True
    import redis

    try:
        with redis.Redis.from_url(
            settings.REDIS_URL, socket_timeout=seconds, socket_connect_timeout=seconds
        ) as queue:
            return bool(queue.ping())
    except redis.RedisError:
        return False


def readiness() -> dict[str, bool]:
    """Database and tables decide whether pages can be served; without queue or worker they are, only later told."""
    found = {"database": database_answers(), "migrations": False, "queue": queue_answers(), "worker": False}
    if found["database"]:
        try:
            found["migrations"] = up_to_date()
            found["worker"] = found["migrations"] and not worker_signs.silent_queues()
        except DatabaseError:
            logger.warning("The database stopped answering while it was asked.", exc_info=True)
            found["database"] = False
    return found
