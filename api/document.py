"""The OpenAPI document, made from what the views declare. `manage.py openapi` writes it; a test holds it current."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import yaml
from django.urls import URLPattern, URLResolver
from drf_spectacular.generators import SchemaGenerator
from drf_spectacular.openapi import AutoSchema
from drf_spectacular.settings import spectacular_settings
from drf_spectacular.utils import OpenApiParameter, OpenApiResponse, inline_serializer
from rest_framework import serializers

from api.door import ApiView
from api.operations import Asked, Operation
from api.problems import CONTENT_TYPE, KINDS

PROBLEM = "#/components/schemas/Problem"
SETTINGS = {
    "TITLE": "Tank Almanac",
    "VERSION": "1",
    "OAS_VERSION": "3.1.1",
    "DESCRIPTION": (
        "The record, the work and the plan of a portfolio's water heaters. Days are ISO 8601 in the property's time "
        "zone, moments are UTC, money is text with its currency beside it, units stand in the names of fields. Nothing "
        "depends on the language asked for."
    ),
    "COMPONENT_SPLIT_REQUEST": True,
    "COMPONENT_NO_READ_ONLY_REQUIRED": True,
    "POSTPROCESSING_HOOKS": [],
    "PREPROCESSING_HOOKS": [],
    "SORT_OPERATIONS": False,
    "ENUM_GENERATE_CHOICE_DESCRIPTION": False,
    "SCHEMA_PATH_PREFIX": "/api/v1",
    "PATH_CONVERTER_OVERRIDES": {"number": {"type": "integer", "minimum": 0, "maximum": 10**18 - 1}},
}


def _parameter(name: str, asked: Asked) -> OpenApiParameter:
    return OpenApiParameter(name, _typed(asked.field), description=asked.says)


def _typed(field: serializers.Field) -> Any:
    """The parameter's schema, with the limits that reading it holds to."""
    kinds = {
        serializers.IntegerField: {"type": "integer"},
        serializers.BooleanField: {"type": "boolean"},
        serializers.DateTimeField: {"type": "string", "format": "date-time"},
        serializers.DateField: {"type": "string", "format": "date"},
    }
    schema: dict[str, Any] = dict(kinds.get(type(field), {"type": "string"}))
    if isinstance(field, serializers.ChoiceField):
        schema["enum"] = list(field.choices)
    for limit, word in (("min_value", "minimum"), ("max_value", "maximum"), ("max_length", "maxLength")):
        if getattr(field, limit, None) is not None:
            schema[word] = getattr(field, limit)
    if isinstance(field, serializers.CharField):
        schema["minLength"] = 1
    return schema


class DeclaredSchema(AutoSchema):
    """Reads the operation that the method declares; guesses nothing."""

    @property
    def declared(self) -> Operation:
        found: Operation = getattr(self.view, self.method.lower()).operation
        return found

    def get_tags(self) -> list[str]:
        return [self.declared.tag]

    def get_operation_id(self) -> str:
        steps = [step for step in self.path.removeprefix("/api/v1/").split("/") if step]
        name = "_".join(
            "one" if step.startswith("{") else step.replace("-", "_").replace(".", "_") for step in steps
        )
        return f"{self.method.lower()}_{name}".replace("{", "").replace("}", "")

    def get_description(self) -> str:  # type: ignore[override]
        needs = self.declared.need.value
        return f"{self.declared.says}\n\nNeeds the right to {needs}."

    def get_summary(self) -> str:
        return self.declared.says.split(". ")[0].rstrip(".")

    def get_auth(self) -> list[Any]:
        return [{"token": []}]

    def get_override_parameters(self) -> list[Any]:
        declared = self.declared
        asks = declared.lists.parameters() if declared.lists else declared.asks
        found = [_parameter(name, asked) for name, asked in asks.items()]
        where: Any = OpenApiParameter.HEADER
        if declared.edits:
            says = "The ETag of the row as it was read; `*` takes it as it is."
            found.append(OpenApiParameter("If-Match", str, where, required=True, description=says))
        if self.method == "POST" and not declared.secret:
            says = "Sent again with the same key within 7 days, the first answer comes back and nothing is done twice."
            schema = {"type": "string", "minLength": 1, "maxLength": 200, "pattern": "^[!-~]+$"}
            found.append(OpenApiParameter("Idempotency-Key", schema, where, description=says))
        if self.method == "GET" and not declared.file:
            says = "An earlier ETag: 304 while nothing has changed."
            found.append(OpenApiParameter("If-None-Match", str, where, description=says))
        return found

    def get_filter_backends(self) -> list[Any]:
        return []

    def map_parsers(self) -> list[str]:
        return ["multipart/form-data" if self.declared.form else "application/json"]

    def get_request_serializer(self) -> Any:
        takes = self.declared.takes
        return None if takes is None else takes(partial=self.declared.partial)  # type: ignore[call-arg]

    def get_response_serializers(self) -> Any:
        declared = self.declared
        if declared.file:
            schema = (
                {"type": "string"}
                if declared.file.startswith("text")
                else {"type": "string", "format": "binary"}
            )
            return {(200, declared.file): OpenApiResponse(schema)}
        if declared.lists:
            name = f"{declared.lists.name}Page"
            items = declared.lists.shape(many=True)
            shape = inline_serializer(
                name,
                {
                    "items": items,
                    "next": serializers.CharField(allow_null=True, help_text="Address of the next page"),
                },
            )
            return {200: shape}
        if declared.gives is None:
            return {declared.status: OpenApiResponse(description="Done")}
        return {declared.status: declared.gives}


def _views(patterns: Any, before: str = "") -> Iterator[tuple[str, Any]]:
    for entry in patterns:
        if isinstance(entry, URLResolver):
            yield from _views(entry.url_patterns, before + str(entry.pattern))
        elif isinstance(entry, URLPattern) and issubclass(getattr(entry.callback, "cls", object), ApiView):
            yield before + str(entry.pattern), entry


def made() -> dict[str, Any]:
    """The whole document as plain data."""
    from api import urls

    patterns = [
        entry
        for entry in urls.urlpatterns
        if getattr(entry, "name", "") not in ("nothing", "docs", "document", "document_json")
    ]
    for name, value in SETTINGS.items():
        setattr(spectacular_settings, name, value)
    for _, entry in _views(patterns):
        entry.callback.cls.schema = DeclaredSchema()
    document: dict[str, Any] = SchemaGenerator(patterns=patterns).get_schema(request=None, public=True)
    return _finished(document)


def _finished(document: dict[str, Any]) -> dict[str, Any]:
    _mend(document)
    schemas = document["components"]["schemas"]
    schemas["Problem"] = _problem()
    for name, schema in schemas.items():
        if name.endswith("Request"):
            schema.setdefault("additionalProperties", False)
    for shown in _listed(document):
        # Only the fields asked for are sent, so only the number is sure to be there.
        schemas[shown].pop("required", None)
    for path in document["paths"].values():
        for method, operation in path.items():
            _usual_answers(method, operation)
    content = {CONTENT_TYPE: {"schema": {"$ref": PROBLEM}}}
    document["components"]["responses"] = {
        _named(status): {"description": title, "content": content}
        for status, title in sorted(dict(KINDS.values()).items())
    }
    document["components"]["securitySchemes"] = {
        "token": {"type": "http", "scheme": "bearer", "description": "A token made on the page Tokens."}
    }
    document["servers"] = [{"url": "/"}]
    return document


def _mend(part: Any) -> None:
    """Anything or null is anything: null would satisfy both and so, by `oneOf`, neither."""
    if isinstance(part, dict):
        if part.get("oneOf") == [{}, {"type": "null"}]:
            del part["oneOf"]
        for inner in part.values():
            _mend(inner)
    elif isinstance(part, list):
        for inner in part:
            _mend(inner)


def _listed(document: dict[str, Any]) -> set[str]:
    found = set()
    for name, schema in document["components"]["schemas"].items():
        if name.endswith("Page"):
            found.add(schema["properties"]["items"]["items"]["$ref"].rsplit("/", 1)[-1])
    return found


def _problem() -> dict[str, Any]:
    error = {
        "type": "object",
        "properties": {
            "pointer": {"type": "string", "description": "JSON pointer of the field in what was sent"},
            "parameter": {"type": "string", "description": "Name of the parameter of the address"},
            "detail": {"type": "string"},
        },
        "required": ["detail"],
    }
    return {
        "type": "object",
        "description": "Problem details (RFC 9457)",
        "properties": {
            "type": {"type": "string", "format": "uri-reference"},
            "title": {"type": "string"},
            "status": {"type": "integer"},
            "detail": {"type": "string"},
            "errors": {"type": "array", "items": error},
        },
        "required": ["type", "title", "status"],
    }


def _named(status: int) -> str:
    return f"Problem{status}"


def _usual_answers(method: str, operation: dict[str, Any]) -> None:
    """What any operation may answer besides its own."""
    names = {str(parameter["name"]) for parameter in operation.get("parameters", [])}
    kinds = {"malformed", "not-signed-in", "not-allowed", "not-found", "not-now", "too-many", "busy"}
    if method != "get":
        kinds |= {"refused", "media-type", "too-large", "changed-meanwhile"}
    if "If-Match" in names:
        kinds |= {"match-needed"}
    if operation["operationId"] in ("get_changes",):
        kinds |= {"feed-replaced"}
    if "If-None-Match" in names:
        operation["responses"]["304"] = {"description": "Nothing has changed"}
    for kind in sorted(kinds, key=lambda one: KINDS[one][0]):
        status, _ = KINDS[kind]
        operation["responses"].setdefault(str(status), {"$ref": f"#/components/responses/{_named(status)}"})
    for status, response in operation["responses"].items():
        if status.startswith("2"):
            _usual_headers(status, response, bool(operation.get("requestBody")) or method == "get")


def _usual_headers(status: str, response: dict[str, Any], has_tag: bool) -> None:
    text = {"schema": {"type": "string"}}
    headers = {"RateLimit": text, "RateLimit-Policy": text}
    if status in ("200", "201") and has_tag and "application/json" in response.get("content", {}):
        headers["ETag"] = text
    if status in ("201", "202"):
        headers["Location"] = text
    response["headers"] = headers


class _Plain(yaml.SafeDumper):
    def ignore_aliases(self, data: Any) -> bool:
        return True


def as_yaml() -> str:
    """The committed form: the same whichever database stands behind."""
    text: str = yaml.dump(made(), Dumper=_Plain, sort_keys=False, allow_unicode=True, width=110)
    return text
