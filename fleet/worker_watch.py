"""A worker that is alive but takes nothing from the queue any more, as happens after Redis went away, ends itself.

Whoever supervises it (the container's restart policy, a service manager) starts it anew. It is told from an idle
worker by looking at the queue over a connection of its own: messages wait there, nothing is being worked on, and
nothing was taken for a while.
"""

from __future__ import annotations

import logging
import os
import threading
import time
from typing import Any

from django.conf import settings

logger = logging.getLogger(__name__)
_last_heard = time.monotonic()


def heard(**_: Any) -> None:
    """A message was taken from the queue."""
    global _last_heard
    _last_heard = time.monotonic()


def is_stuck(silent_seconds: float, busy: bool, waiting: int) -> bool:
    """Whether a worker has stopped taking work: not silent for lack of it, and not for being at work."""
    return silent_seconds > settings.WORKER_SILENT_SECONDS and not busy and waiting > 0


def start(sender: Any = None, **_: Any) -> None:
    """Begin to watch the worker of this process, once it is ready."""
    if not settings.REDIS_URL:
        return
    heard()
    queues = [queue.name for queue in sender.task_consumer.queues]
    threading.Thread(target=_watch, args=(queues,), name="worker watch", daemon=True).start()


def _watch(queues: list[str]) -> None:
    while True:
        time.sleep(max(settings.WORKER_SILENT_SECONDS / 6, 1))
        silent = time.monotonic() - _last_heard
        if silent <= settings.WORKER_SILENT_SECONDS:
            continue
        waiting = _waiting(queues)
        if is_stuck(silent, _is_busy(), waiting):
            logger.critical(
                "This worker took nothing for %.0f s while %s messages wait: ending.", silent, waiting
            )
            os._exit(70)  # the consumer's own thread cannot be trusted to end in good order


def _is_busy() -> bool:
    from celery.worker import state

    return bool(state.active_requests or state.reserved_requests)


def _waiting(queues: list[str]) -> int:
    """How many messages wait; none where Redis itself does not answer, for then nobody can take any."""
    import redis

    try:
        with redis.Redis.from_url(settings.REDIS_URL, socket_timeout=5) as own:
            return sum(int(own.llen(queue)) for queue in queues)  # type: ignore[arg-type]
    except redis.RedisError:
        return 0
