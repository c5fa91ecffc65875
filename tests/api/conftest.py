"""A small client that speaks JSON with a token, and tokens for each of the cast."""

from __future__ import annotations

import json
from collections.abc import Callable
from typing import Any

import pytest
from django.core.cache import cache
from django.test import Client

from fleet.estate import tokens
from fleet.estate.access import GRANTS, scope_of
from fleet.estate.models import Membership, Person
from fleet.estate.scope import scoped
from tests.conftest import Cast
from tests.fleet.contracts.conftest import trade  # noqa: F401 (a fixture)

EVERYTHING = ("read", "work", "plan", "admin")


def token_for(person: Person, needs: Any = None, **wanted: Any) -> str:
    """A personal token with all that the person's role includes."""
    membership = Membership.objects.select_related("organisation", "person").get(person=person)
    may = {need.value for need in GRANTS[membership.role]}
    with scoped(scope_of(membership)):
        wishes = {"kind": "personal", "name": "test", "needs": needs or may, "days": 30} | wanted
        return tokens.make_token(membership, **wishes)[1]


class Api:
    """Requests as another program sends them; the answer's JSON is read."""

    def __init__(self, token: str = "") -> None:
        self.client = Client(HTTP_ACCEPT="application/json")
        self.token = token

    def ask(self, method: str, path: str, body: Any = None, **headers: str) -> Any:
        sent = {f"HTTP_{name.upper()}": value for name, value in headers.items()}
        if self.token:
            sent["HTTP_AUTHORIZATION"] = f"Bearer {self.token}"
        content = {} if body is None else {"data": json.dumps(body), "content_type": "application/json"}
        where = path if path.startswith("/") else f"/api/v1/{path}"
        return self.client.generic(method, where, **content, **sent)

    def get(self, path: str, **headers: str) -> Any:
        return self.ask("GET", path, **headers)

    def read(self, path: str) -> Any:
        answer = self.get(path)
        assert answer.status_code == 200, answer.content
        return answer.json()

    def post(self, path: str, body: Any = None, **headers: str) -> Any:
        return self.ask("POST", path, body, **headers)

    def patch(self, path: str, body: Any, if_match: str = "", **headers: str) -> Any:
        return self.ask("PATCH", path, body, **({"if_match": if_match} if if_match else {}), **headers)

    def change(self, path: str, body: Any) -> Any:
        """Read, then change with the ETag that was read."""
        return self.patch(path, body, if_match=self.get(path)["ETag"])


@pytest.fixture(autouse=True)
def _fresh_counts() -> None:
    cache.clear()


@pytest.fixture
def api(cast: Cast) -> Api:
    return Api(token_for(cast.owner))


@pytest.fixture
def api_of(cast: Cast) -> Callable[[str], Api]:
    return lambda who: Api(token_for(getattr(cast, who)))
