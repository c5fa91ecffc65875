"""Every address × method × role × own, foreign and missing row, generated from the URL map of the API.

Nobody gets in without a token; a role without the need is told so whatever the row; another organisation's row is
answered as a row that never was, in status and body.
"""

from __future__ import annotations

import re
from typing import Any

import pytest
from django.core.cache import cache
from django.core.files.uploadedfile import SimpleUploadedFile
from django.db import transaction

from fleet.estate.access import GRANTS
from fleet.estate.models import Membership, Person
from fleet.estate.scope import scope_of_organisation, scoped
from tests.api.conftest import Api, token_for
from tests.api.estates import content_for, every_operation, fill
from tests.conftest import Cast, make_heater

OPERATIONS = list(every_operation())
ROLES = ("owner", "planner", "technician", "contractor", "viewer")
MISSING = 999_999_999
CSV = b"Tag,Type,Property\nA,gas,B\n"


class Undone(Exception):
    pass


@pytest.fixture
def rows(cast: Cast) -> dict[str, dict[str, int]]:
    found = {}
    for whose, heater in (("own", cast.heater), ("foreign", cast.foreign_heater)):
        with scoped(scope_of_organisation(heater.organisation_id, actor="test")):
            found[whose] = fill(heater)
    viewer = Person.objects.create_user("viewer@almanac.example", name="Viewer")
    Membership.objects.create(organisation=cast.house, person=viewer, role="viewer")
    return found


def address(path: str, numbers: dict[str, int] | None) -> str:
    first = path.removeprefix("/api/v1/").partition("/")[0]
    where = path
    if "<number:pk>" in path:
        where = path.replace("<number:pk>", str(MISSING if numbers is None else numbers[first]))
    where = (
        where.replace("<slug:code>", "flush")
        .replace("record.<str:file_format>", "record.json")
        .replace("<str:file_format>", "csv")
        .replace("<slug:kind>", "heaters")
    )
    assert "<" not in where, f"the matrix does not know what stands for {path}"
    return where


def ask(api: Api, method: str, path: str, where: str, own: dict[str, int]) -> Any:
    """Ask and undo: each request finds the record as it was."""
    cache.clear()
    form = next(one for where_, m, one in OPERATIONS if (where_, m) == (path, method)).form
    try:
        with transaction.atomic():
            if form:
                file = SimpleUploadedFile("a.csv", CSV)
                headers = {"HTTP_AUTHORIZATION": f"Bearer {api.token}"} if api.token else {}
                answer = api.client.post(where, {"file": file} | content_for(path, own), **headers)
            else:
                body = None if method == "GET" else content_for(path, own)
                takes = next(one for where_, m, one in OPERATIONS if (where_, m) == (path, method)).takes
                answer = api.ask(method, where, body if takes else None, if_match="*")
            answer.body = body_of(answer)
            # Not `close()`: that ends the request for the database too, and with it the test's transaction.
            for close in answer._resource_closers:
                close()
            raise Undone
    except Undone:
        return answer


def body_of(answer: Any) -> bytes:
    return b"".join(answer.streaming_content) if answer.streaming else answer.content


def test_nobody_gets_in_and_is_told_the_same_everywhere(cast: Cast, rows: dict[str, dict[str, int]]) -> None:
    answers = set()
    for path, method, _ in OPERATIONS:
        for token in ("", "alp_wrong"):
            answer = ask(Api(token), method, path, address(path, rows["own"]), rows["own"])
            assert answer.status_code == 401, (method, path)
            assert answer["WWW-Authenticate"].startswith("Bearer")
            answers.add((token, answer.body))
    assert len(answers) == 2


@pytest.mark.parametrize("role", ROLES)
def test_a_role_does_what_its_needs_include_and_foreign_rows_are_missing_rows(
    cast: Cast, rows: dict[str, dict[str, int]], role: str
) -> None:
    person = Person.objects.get(email="viewer@almanac.example") if role == "viewer" else getattr(cast, role)
    may = GRANTS[Membership.objects.get(person=person).role]
    api = Api(token_for(person))
    own = rows["own"]
    for path, method, operation in OPERATIONS:
        whose_rows: dict[str, dict[str, int] | None] = {"own": own}
        if "<number:pk>" in path:
            whose_rows |= {"foreign": rows["foreign"], "missing": None}
        asked = {
            whose: ask(api, method, path, address(path, numbers), own)
            for whose, numbers in whose_rows.items()
        }
        statuses = {whose: answer.status_code for whose, answer in asked.items()}
        where = f"{method} {path} as {role}: {statuses}"
        if operation.need not in may:
            assert set(statuses.values()) == {403}, where
            assert len({answer.body for answer in asked.values()}) == 1, where
            continue
        assert statuses["own"] not in (401, 403, 405, 415, 428) and statuses["own"] < 500, where
        if "<number:pk>" in path:
            assert statuses["foreign"] == statuses["missing"] == 404, where
            assert asked["foreign"].body == asked["missing"].body, where
            # A note in the inbox is one person's own, whoever else asks.
            mine = path.startswith("/api/v1/inbox/")
            assert statuses["own"] != 404 or mine or path.endswith(("/refused", "/file")), where


def test_lists_hold_no_row_of_another_house(cast: Cast, rows: dict[str, dict[str, int]]) -> None:
    api = Api(token_for(cast.owner))
    lists = [path for path, method, operation in OPERATIONS if operation.lists and "<" not in path]
    assert len(lists) > 12
    for path in lists:
        kind = path.removeprefix("/api/v1/")
        numbers = {row["id"] for row in api.read(path)["items"]}
        assert rows["foreign"].get(kind) not in numbers, path
        # The inbox holds one person's own notes, and these are another's.
        assert kind not in rows["own"] or (rows["own"][kind] in numbers) == (kind != "inbox"), path
    everything = (
        b"".join(api.get("exports/record.json").streaming_content) + api.get("changes?limit=1000").content
    )
    assert b"Birch" not in everything
    assert b"Alder" in everything


def test_a_row_can_name_no_row_of_another_house(cast: Cast, rows: dict[str, dict[str, int]]) -> None:
    """In what is sent: another's number is refused in the words for a number that does not exist."""
    api = Api(token_for(cast.owner))
    own = rows["own"]
    tried = 0
    for path, method, operation in OPERATIONS:
        body = content_for(path, own)
        if method != "POST" or "<" in path or operation.takes is None or not isinstance(body, dict):
            continue
        for name in [name for name in body if name.endswith("_id") and isinstance(body[name], int)]:
            known = {"property_id": "properties", "plan_id": "capital-plans"}
            kind = known.get(name, f"{name.removesuffix('_id')}s")
            answers = []
            for number in (rows["foreign"][kind], MISSING):
                answer = ask_with(api, path, body | {name: number})
                assert answer.status_code == 422, (path, name)
                answers.append(re.sub(rb"\b\d+\b", b"N", answer.content))
            assert answers[0] == answers[1], (path, name)
            tried += 1
    assert tried > 10


def ask_with(api: Api, path: str, body: Any) -> Any:
    cache.clear()
    return api.post(path, body)


def test_a_token_never_does_more_than_it_was_made_for(cast: Cast, rows: dict[str, dict[str, int]]) -> None:
    reader = Api(token_for(cast.owner, needs=["read"]))
    for path, method, operation in OPERATIONS:
        answer = ask(reader, method, path, address(path, rows["own"]), rows["own"])
        assert (answer.status_code == 403) == (operation.need.value != "read"), (method, path)


def test_rows_beyond_a_token_s_properties_are_missing_rows(
    cast: Cast, rows: dict[str, dict[str, int]]
) -> None:
    """An owner's token for one property, and rows of another property of her own house."""
    with scoped(scope_of_organisation(cast.house, actor="test")):
        other = make_heater(cast.house, "Cedar Yard", "C-1").position.building.property_id
    api = Api(token_for(cast.owner, property_ids=[other]))
    own = rows["own"]
    for path, method, _ in OPERATIONS:
        if "<number:pk>" in path:
            beyond = ask(api, method, path, address(path, own), own)
            missing = ask(api, method, path, address(path, None), own)
            where = f"{method} {path}: {beyond.status_code} and {missing.status_code}"
            assert beyond.status_code == missing.status_code, where
            assert beyond.body == missing.body, where
            assert beyond.status_code in (403, 404, 409, 422), where


def test_an_unknown_address_is_a_problem_and_not_a_page(cast: Cast) -> None:
    for who in (Api(), Api(token_for(cast.owner))):
        for method in ("GET", "POST", "DELETE"):
            answer = who.ask(method, "nothing/here")
            assert answer.status_code == 404
            assert answer["Content-Type"] == "application/problem+json"


def test_a_method_that_is_not_there_says_which_are(api: Api, cast: Cast) -> None:
    for path, allowed in (("heaters", "GET, HEAD, POST"), ("me", "GET, HEAD"), ("heaters/1/end", "POST")):
        for method in ("DELETE", "PUT", "OPTIONS"):
            answer = api.ask(method, path)
            assert answer.status_code == 405
            assert answer["Allow"] == allowed
