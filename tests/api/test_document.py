"""The OpenAPI document: current, valid by an outside validator, served, readable without a script."""

from __future__ import annotations

import json
import re

import pytest
from django.core.exceptions import ImproperlyConfigured
from django.test import Client
from openapi_spec_validator import validate

from api.docs import FILE
from api.door import ApiView
from api.operations import operation
from api.readable import content
from fleet.estate.access import Need
from tests.conftest import Cast


def test_the_committed_document_is_current(db: None) -> None:
    from api.document import as_yaml

    assert FILE.read_text(encoding="utf-8") == as_yaml(), (
        "run `manage.py openapi` and commit api/openapi.yaml"
    )


def test_the_document_is_valid_openapi_3_1_and_every_operation_is_named_once(db: None) -> None:
    found = content()
    assert found["openapi"].startswith("3.1")
    validate(found)
    names = [one["operationId"] for path in found["paths"].values() for one in path.values()]
    assert len(names) == len(set(names)) > 80
    for path in found["paths"].values():
        for one in path.values():
            assert one["security"] == [{"token": []}]
            assert {"400", "401", "403", "404", "429"} <= set(one["responses"])


def test_the_document_is_served_as_it_is_committed(cast: Cast) -> None:
    client = Client()
    assert client.get("/api/v1/openapi.yaml").content == FILE.read_bytes()
    assert json.loads(client.get("/api/v1/openapi.json").content)["openapi"].startswith("3.1")


def test_the_readable_page_names_every_operation_and_needs_no_script(cast: Cast) -> None:
    answer = Client().get("/api/")
    page = answer.content.decode()
    found = content()
    for path, methods in found["paths"].items():
        for method in methods:
            assert f"{method.upper()} {path}" in page
    assert not re.search(r"<script|\sstyle=|https?://(?!127)", page)


def test_a_method_without_a_declared_need_stops_the_program() -> None:
    class Undeclared(ApiView):
        @operation(Need.READ, "Fine.")
        def get(self, request: object) -> None: ...

        def post(self, request: object) -> None: ...

    with pytest.raises(ImproperlyConfigured, match=r"Undeclared\.post"):
        Undeclared.as_view()
