"""Values that no form of ours sends, under every name that a view reads: refused or passed over, never a broken page."""

from __future__ import annotations

import os
import re
from pathlib import Path

import pytest
from django.conf import settings
from django.db import transaction
from django.urls import reverse

from tests.conftest import Cast
from tests.security.addresses import NEEDS_MORE
from tests.security.test_matrix import ADDRESSES, address
from tests.security.world import World, client_of

# A digit that `int` does not read; a number that no database holds; more digits than Python reads; a zero byte.
EVERY_VALUE = ("²", "9" * 30, "1" * 5000, "\x00", "-1", "[]", "NaN", "2026-02-30")
VALUES = EVERY_VALUE if os.environ.get("MATRIX") == "all" else EVERY_VALUE[:2]
READ = re.compile(r"""(?:GET|POST|asked|given|posted|query)\.(?:get|getlist)\(\s*["'](\w+)["']""")
# Every page of these is refused by its own rules before a value is read, or ends the session.
LEFT_OUT = {"account_logout", "pages:sign_out", "estate:erase"}


def names_read() -> list[str]:
    """Every name under which a view looks for a value, and every field of a form."""
    found = {"page", "next"}
    for path in Path(settings.ROOT, "fleet").rglob("*.py"):
        text = path.read_text(encoding="utf-8")
        found |= set(READ.findall(text))
        if "forms." in text:
            found |= set(re.findall(r"^    (\w+)(?:: [^=]+)? = forms\.", text, re.MULTILINE))
    return sorted(found)


@pytest.mark.parametrize("value", VALUES, ids=ascii)
def test_no_value_breaks_a_page(cast: Cast, value: str) -> None:
    world, names = World(cast), names_read()
    assert len(names) > 100
    client = client_of(world, "owner")
    sent = dict.fromkeys(names, value)
    broken = []
    for name, _, _, _ in ADDRESSES:
        if name in LEFT_OUT or name in NEEDS_MORE:
            continue
        where = address(world, name, "own", "owner")
        for method in ("get", "post"):
            with transaction.atomic():
                answer = getattr(client, method)(where, sent)
                for close in answer._resource_closers:  # not `close()`, which ends the database's request too
                    close()
                transaction.set_rollback(True)
            if answer.status_code >= 500:
                broken.append(f"{method} {name}: {answer.status_code}")
    assert broken == []
    assert client.get(reverse("estate:account")).status_code == 200
