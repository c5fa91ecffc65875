"""Keys, limits, sessions: a post sent twice does one thing; too many requests are told when to come back."""

from __future__ import annotations

import threading
from collections.abc import Callable
from datetime import timedelta
from typing import Any

import pytest
import time_machine
from django.core.cache import cache
from django.db import connection
from django.test import Client
from django.utils import timezone

from api.models import KeptAnswer
from fleet.estate.models import Property
from fleet.estate.scope import unscoped
from tests.api.conftest import Api
from tests.conftest import Cast

# In memory, SQLite has one connection for all threads; two writers at once need a server.
TOGETHER = [
    pytest.mark.services,
    pytest.mark.skipif("not __import__('os').environ.get('ALMANAC_DATABASE_URL')", reason="needs PostgreSQL"),
    pytest.mark.django_db(transaction=True),
]


def together(test: Any) -> Any:
    for mark in TOGETHER:
        test = mark(test)
    return test


def count(name: str) -> int:
    with unscoped("test"):
        return int(Property.objects.filter(name=name).count())


def test_the_same_key_gives_the_first_answer_and_does_nothing_twice(api: Api, cast: Cast) -> None:
    first = api.post("properties", {"name": "Cedar"}, idempotency_key="k1")
    again = api.post("properties", {"name": "Cedar"}, idempotency_key="k1")
    assert first.status_code == again.status_code == 201
    assert (again.content, again["Location"], again["ETag"]) == (
        first.content,
        first["Location"],
        first["ETag"],
    )
    assert again["Idempotent-Replayed"] == "true"
    assert count("Cedar") == 1


def test_a_key_used_again_for_something_else_is_refused(api: Api, cast: Cast) -> None:
    api.post("properties", {"name": "Cedar"}, idempotency_key="k1")
    for path, body in (("properties", {"name": "Other"}), ("buildings", {"name": "Cedar"})):
        answer = api.post(path, body, idempotency_key="k1")
        assert answer.status_code == 422
        assert answer.json()["type"].endswith("key-reused")
    assert count("Other") == 0


def test_a_refused_post_leaves_its_key_free(api: Api, cast: Cast) -> None:
    assert api.post("properties", {"name": ""}, idempotency_key="k1").status_code == 422
    assert api.post("properties", {"name": "Cedar"}, idempotency_key="k1").status_code == 201


def test_keys_are_each_callers_own_and_forgotten_in_time(cast: Cast, api_of: Callable[[str], Api]) -> None:
    ours, theirs = api_of("owner"), api_of("outsider")
    assert ours.post("properties", {"name": "Cedar"}, idempotency_key="k1").status_code == 201
    assert theirs.post("properties", {"name": "Cedar"}, idempotency_key="k1").status_code == 201
    assert count("Cedar") == 2
    with time_machine.travel(timezone.now() + timedelta(days=8)):
        assert ours.post("properties", {"name": "Elm"}, idempotency_key="k1").status_code == 201
        with unscoped("test"):
            assert KeptAnswer.objects.filter(organisation=cast.house).count() == 1


@pytest.mark.parametrize("key", ["", "x" * 201, "a\tb"])
def test_a_key_that_cannot_be_kept_is_refused(api: Api, key: str) -> None:
    answer = api.post("properties", {"name": "Cedar"}, idempotency_key=key)
    assert answer.status_code == 400


@together
def test_duplicates_at_the_same_moment_do_one_thing(cast: Cast) -> None:
    from tests.api.conftest import token_for

    token, gate = token_for(cast.owner), threading.Barrier(4)
    answers: list[Any] = []

    def send() -> None:
        gate.wait()
        answers.append(Api(token).post("properties", {"name": "Cedar"}, idempotency_key="k1"))
        connection.close()

    threads = [threading.Thread(target=send) for _ in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert {answer.status_code for answer in answers} == {201}
    assert len({answer.content for answer in answers}) == 1
    assert count("Cedar") == 1


@together
def test_changes_at_the_same_moment_lose_nothing(cast: Cast) -> None:
    """Four writers read the same state: one change is taken, the others are told to read again."""
    from tests.api.conftest import token_for

    token, path = token_for(cast.owner), f"heaters/{cast.heater.pk}"
    tag, gate = Api(token).get(path)["ETag"], threading.Barrier(4)
    answers: list[Any] = []

    def send(words: str) -> None:
        gate.wait()
        answers.append((words, Api(token).patch(path, {"notes": words}, if_match=tag)))
        connection.close()

    threads = [threading.Thread(target=send, args=(f"writer {number}",)) for number in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    taken = [words for words, answer in answers if answer.status_code == 200]
    assert sorted(answer.status_code for _, answer in answers) == [200, 412, 412, 412]
    assert Api(token).read(path)["notes"] == taken[0]


def test_every_answer_says_how_much_is_left_and_the_last_says_when(
    api: Api, settings: Any, api_of: Any
) -> None:
    settings.API_PER_MINUTE = 3
    with time_machine.travel("2026-11-25T12:00:10Z", tick=False):
        cache.clear()
        left = [api.get("me")["RateLimit"] for _ in range(3)]
        assert left == ['"minute";r=2;t=50', '"minute";r=1;t=50', '"minute";r=0;t=50']
        refused = api.get("me")
        assert refused.status_code == 429
        assert refused["Retry-After"] == "50"
        assert refused["RateLimit-Policy"] == '"minute";q=3;w=60'
        assert api_of("planner").get("me").status_code == 200
    with time_machine.travel("2026-11-25T12:01:01Z", tick=False):
        assert api.get("me").status_code == 200


def test_a_cache_that_does_not_answer_turns_nobody_away(api: Api, monkeypatch: pytest.MonkeyPatch) -> None:
    def broken(*_: Any) -> Any:
        raise ConnectionError

    monkeypatch.setattr("api.limits.cache.add", broken)
    assert api.get("me").status_code == 200


def test_a_pages_session_reads_and_writes_only_with_the_pages_token(cast: Cast) -> None:
    client = Client(enforce_csrf_checks=True)
    client.force_login(cast.owner)
    assert client.get("/api/v1/me").json()["role"] == "owner"
    body = {"content_type": "application/json", "data": '{"name": "Cedar"}'}
    assert client.post("/api/v1/properties", **body).status_code == 403
    client.get("/tokens/")
    token = client.cookies["csrftoken"].value
    assert client.post("/api/v1/properties", **body, HTTP_X_CSRFTOKEN=token).status_code == 201


def test_a_person_of_some_properties_sees_and_enters_only_there(cast: Cast) -> None:
    from fleet.estate.models import Membership
    from tests.api.conftest import token_for
    from tests.conftest import make_heater

    with unscoped("test"):
        other = make_heater(cast.house, "Cedar Yard", "C-1")
        member = Membership.objects.get(person=cast.planner)
        member.all_properties = False
        member.save()
        member.properties.set([cast.property])
    api = Api(token_for(cast.planner))
    assert api.read("me")["property_ids"] == [cast.property.pk]
    assert [row["id"] for row in api.read("heaters")["items"]] == [cast.heater.pk]
    assert api.get(f"heaters/{other.pk}").status_code == 404
    assert api.post("properties", {"name": "New"}).status_code == 403
    assert api.post("positions", {"building_id": other.position.building_id, "label": "x"}).status_code == 422
    assert (
        api.post(
            "positions", {"building_id": cast.building.pk, "label": "x"}, idempotency_key="a"
        ).status_code
        == 201
    )
    assert api.get("cost-book").status_code == 403
