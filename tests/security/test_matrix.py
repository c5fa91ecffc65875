"""Two houses, every address, every role, own, foreign and missing rows: what is not yours does not exist.

Generated from the whole address map. The ordinary run tries GET and POST, and for the roles that differ only in what
they may do, only what they may not. `MATRIX=all` tries every HTTP method and every cell (see DEVELOPERS.md).
"""

from __future__ import annotations

import os
import re
from typing import Any

import pytest
from django.core.signals import request_finished
from django.db import close_old_connections, transaction
from django.test import Client
from django.urls import reverse

from fleet.estate.access import Need
from tests.conftest import Cast
from tests.security.addresses import ARGUMENTS, FORM_FIRST, NEEDS_MORE, PERSONAL, READ_TO_ALL
from tests.security.world import MISSING, ROLES, World, client_of, every_address, may

ALL = ("GET", "POST", "HEAD", "OPTIONS", "PUT", "PATCH", "DELETE")
EVERYTHING = os.environ.get("MATRIX") == "all"
METHODS = ALL if EVERYTHING else ("GET", "POST")
# They reach the same rows as the owner does.
LIKE_THE_OWNER = {"planner", "technician", "contractor", "viewer"}
LESS_IN_REACH = {"narrow", "granted"}
# The API answers to tokens and keeps its own tests of two houses (tests/api).
ADDRESSES = [
    entry for entry in every_address() if not entry[0].startswith("api:") and not entry[1].startswith("api/")
]


def rows_named(name: str) -> bool:
    """Whether an address names a row that belongs to a house or a person."""
    return any(isinstance(value, str) for value in ARGUMENTS.get(name, {}).values())


def address(world: World, name: str, place: str, role: str) -> str:
    arguments: dict[str, Any] = {}
    for argument, value in ARGUMENTS.get(name, {}).items():
        if isinstance(value, tuple):
            arguments[argument] = value[0]
        elif place == "missing":
            arguments[argument] = MISSING
        else:
            arguments[argument] = world.row(value, place, "" if role == "stranger" else role).pk
    return reverse(name, kwargs=arguments)


def said(answer: Any) -> bytes:
    """The body without what differs each time: the token of the forms."""
    body = b"".join(answer.streaming_content) if answer.streaming else answer.content
    return re.sub(rb'name="csrfmiddlewaretoken" value="\w+"', b"", body)


def ask(client: Client, method: str, where: str) -> Any:
    """One request whose changes are taken back, with the person's own cookies untouched."""
    one = Client(raise_request_exception=False)
    one.handler = client.handler  # which has read its middleware once
    one.cookies.load({name: morsel.value for name, morsel in client.cookies.items()})
    with transaction.atomic():
        answer = one.generic(method, where)
        body = said(answer)
        # The client looks after connections again by now: closed so, an answer would end the test's own transaction.
        request_finished.disconnect(close_old_connections)
        answer.close()
        request_finished.connect(close_old_connections)
        transaction.set_rollback(True)
    return answer, body


def test_every_address_has_its_line_in_the_matrix() -> None:
    missing = []
    for name, route, pattern, need in ADDRESSES:
        if not isinstance(need, Need):
            missing.append(f"{route}: its view declares no need. Write @page(Need.…) above it.")
        wanted = set(pattern.pattern.converters)
        wanted |= set(re.findall(r"<(?:\w+:)?(\w+)>", route))
        if wanted - set(ARGUMENTS.get(name, {})):
            missing.append(
                f"{name} ({route}): add a line for {sorted(wanted)} to ARGUMENTS in tests/security/addresses.py, "
                "naming the model whose row it shows."
            )
    gone = set(ARGUMENTS) - {name for name, *_ in ADDRESSES}
    missing += [
        f"{name}: no such address any more. Take its line out of tests/security/addresses.py."
        for name in gone
    ]
    assert missing == []


@pytest.mark.parametrize("role", [*ROLES, "stranger"])
def test_the_matrix(cast: Cast, role: str) -> None:
    world = World(cast)
    client = client_of(world, role)
    wrong: list[str] = []
    tried = 0
    for name, _, _, need in ADDRESSES:
        if not EVERYTHING and _told_by_others(role, name, need):
            continue
        for method in METHODS:
            tried += _try_cell(world, client, role, name, need, method, wrong)
    assert not wrong, "\n".join(wrong)
    assert tried >= 30 * len(METHODS)


def _told_by_others(role: str, name: str, need: Need) -> bool:
    """Whether the owner's cells already say what this one would."""
    if role in LIKE_THE_OWNER:
        return may(role, need)
    return role in LESS_IN_REACH and not rows_named(name)


def _try_cell(
    world: World, client: Client, role: str, name: str, need: Need, method: str, wrong: list[str]
) -> int:
    answers = {place: ask(client, method, address(world, name, place, role)) for place in _places(name, role)}
    cell = f"{method} {name} as {role}"
    for place, (answer, _) in answers.items():
        hollow = name in NEEDS_MORE and place in ("own", "beyond")
        if answer.status_code >= 500 and not hollow:
            wrong.append(f"{cell}, {place} row: {answer.status_code}")
    own, body = answers["own"]
    if not may(role, need):
        expected = 302 if role == "stranger" else 403
        wrong += [
            f"{cell}, {place} row: {answer.status_code} instead of {expected}"
            for place, (answer, other) in answers.items()
            if answer.status_code != expected or (role != "stranger" and other != body)
        ]
    elif own.status_code == 403 and role == "narrow":
        # What concerns the whole house is refused to a member of some properties, whichever row she names.
        wrong += [f"{cell}: not all rows answer alike" for _, other in answers.values() if other != body]
    elif own.status_code == 403 and not _asks_for_more(name, method):
        wrong.append(f"{cell}: 403 although the role includes {need.value}")
    else:
        wrong += _compare(role, name, cell, answers, method)
    return len(answers)


def _places(name: str, role: str) -> tuple[str, ...]:
    """Which rows are tried. What lies beyond a narrow member's reach is one more own row to all others."""
    if not rows_named(name):
        return ("own",)
    if EVERYTHING or role in LESS_IN_REACH:
        return ("own", "beyond", "foreign", "missing")
    return ("own", "foreign", "missing")


def _asks_for_more(name: str, method: str) -> bool:
    """A page that everybody may read and not everybody may send."""
    return method != "GET" and name in READ_TO_ALL


def _compare(role: str, name: str, cell: str, answers: dict[str, Any], method: str) -> list[str]:
    """What is foreign answers as what is missing does; what is out of a narrow member's reach likewise."""
    if "missing" not in answers:
        return []
    missing, nothing = answers["missing"]
    wrong = []
    hidden = ["foreign", "beyond"] if role in LESS_IN_REACH and name not in PERSONAL else ["foreign"]
    for place in hidden:
        answer, body = answers[place]
        if (answer.status_code, body) != (missing.status_code, nothing):
            wrong.append(
                f"{cell}: a {place} row answers {answer.status_code}, a missing one {missing.status_code}"
            )
    if (
        missing.status_code < 400
        and name not in FORM_FIRST
        and missing.get("Location", "").find("confirm") < 0
    ):
        wrong.append(f"{cell}: a missing row answers {missing.status_code}")
    own = answers["own"][0]
    if method == "GET" and own.status_code == 404 and role == "owner" and name not in NEEDS_MORE:
        wrong.append(f"{cell}: the own row answers 404")
    return wrong
