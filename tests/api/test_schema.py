"""The API held against its own document by schemathesis, as each role: no failure of the program, no breach.

Here a few cases an operation. Thousands: `ALMANAC_SCHEMA_EXAMPLES=100 uv run --group test pytest tests/api/test_schema.py`.
"""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import suppress
from typing import Any

import pytest
import schemathesis
import yaml
from django.core.cache import cache
from django.core.signals import request_finished, request_started
from django.core.wsgi import get_wsgi_application
from django.db import close_old_connections, transaction
from hypothesis import HealthCheck, Phase, given, settings
from schemathesis.checks import not_a_server_error
from schemathesis.specs.openapi.checks import (
    content_type_conformance,
    response_schema_conformance,
    status_code_conformance,
    unsupported_method,
)

from api.docs import FILE
from fleet.estate.models import Membership, Person
from fleet.estate.scope import scope_of_organisation, scoped
from tests.api.conftest import token_for
from tests.api.estates import fill
from tests.conftest import Cast

EXAMPLES = int(os.environ.get("ALMANAC_SCHEMA_EXAMPLES", "2"))
CHECKS = [
    not_a_server_error,
    status_code_conformance,
    content_type_conformance,
    response_schema_conformance,
    unsupported_method,
]
ROLES = ("owner", "planner", "technician", "company", "viewer")


class Undone(Exception):
    pass


@pytest.fixture(autouse=True)
def _one_connection() -> Iterator[None]:
    """A server would look after its connections between requests; here they are the test's transaction."""
    for signal in (request_started, request_finished):
        signal.disconnect(close_old_connections)
    yield
    for signal in (request_started, request_finished):
        signal.connect(close_old_connections)


@pytest.mark.parametrize("role", ROLES if EXAMPLES > 2 else ["owner"])
def test_every_operation_keeps_to_the_document(cast: Cast, role: str) -> None:
    with scoped(scope_of_organisation(cast.house, actor="test")):
        numbers = fill(cast.heater)
    person = cast.owner
    if role != "owner":
        person = Person.objects.create_user(f"{role}2@almanac.example", name=role)
        Membership.objects.create(organisation=cast.house, person=person, role=role)
    schema = schemathesis.openapi.from_dict(yaml.safe_load(FILE.read_text(encoding="utf-8")))
    schema.app = get_wsgi_application()
    headers = {"Authorization": f"Bearer {token_for(person)}", "If-Match": "*"}
    breaches = []
    for found in schema.get_all_operations():
        operation = found.ok()
        # Files are sent by an open handle that only a real server closes; the matrix asks for them.
        if not operation.path.endswith("/file") and "/exports/" not in operation.path:
            try:
                hold(operation, numbers, headers)
            except Exception as breach:
                breaches.append(f"{operation.method.upper()} {operation.path}: {breach}")
    assert breaches == [], "\n\n".join(breaches)


def hold(operation: Any, numbers: dict[str, int], headers: dict[str, str]) -> None:
    """Cases of one operation, each undone; half of them about a row that is there."""
    kind = operation.path.removeprefix("/api/v1/").partition("/")[0]

    @given(case=operation.as_strategy())
    @settings(
        max_examples=EXAMPLES,
        deadline=None,
        database=None,
        derandomize=True,
        phases=[Phase.generate],
        suppress_health_check=list(HealthCheck),
    )
    def cases(case: Any) -> None:
        cache.clear()
        if kind in numbers and "id" in (case.path_parameters or {}) and case.path_parameters["id"] % 2:
            case.path_parameters["id"] = numbers[kind]
        with suppress(Undone), transaction.atomic():
            case.call_and_validate(headers=headers, checks=CHECKS)
            raise Undone

    cases()
