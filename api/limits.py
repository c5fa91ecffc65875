"""How often one caller may ask: a count a minute in the shared cache, told in every answer.

Headers as in the IETF draft "RateLimit header fields for HTTP" (RateLimit-Policy, RateLimit). Not a wall against
attackers; where the cache does not answer, nobody is turned away.
"""

from __future__ import annotations

import logging
import time

from django.conf import settings
from django.core.cache import cache

from api.problems import Problem

logger = logging.getLogger(__name__)
WINDOW_SECONDS = 60


def count(name: str) -> dict[str, str]:
    """Count this request; returns the headers, or raises the problem that says when to come back."""
    most = settings.API_PER_MINUTE
    now = time.time()
    window = int(now // WINDOW_SECONDS)
    left_seconds = max(1, round((window + 1) * WINDOW_SECONDS - now))
    used = _used(f"api-limit:{name}:{window}")
    headers = {
        "RateLimit-Policy": f'"minute";q={most};w={WINDOW_SECONDS}',
        "RateLimit": f'"minute";r={max(0, most - used)};t={left_seconds}',
    }
    if used > most:
        raise Problem(
            "too-many",
            f"At most {most} requests a minute. Come back in {left_seconds} s.",
            headers=headers | {"Retry-After": str(left_seconds)},
        )
    return headers


def _used(key: str) -> int:
    key = key.replace(" ", "-")
    try:
        if cache.add(key, 1, 2 * WINDOW_SECONDS):
            return 1
        return int(cache.incr(key))
    except ValueError:  # it ran out between the two
        return 1
    except Exception:
        logger.warning("The cache does not answer; requests are not counted.", exc_info=True)
        return 0
