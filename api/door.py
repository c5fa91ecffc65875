"""The base of every view: who asks, may she, in which scope, reading strictly, writing once, answering by the rules.

A method without a declared operation stops the program when its address is made: there is no undeclared door.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any
from urllib.parse import urlencode

from django.core.exceptions import ImproperlyConfigured
from django.db import transaction
from django.http import Http404, HttpRequest, HttpResponse
from django.http.response import HttpResponseBase
from rest_framework.request import Request
from rest_framework.views import APIView

from api import keys, limits
from api.entrance import SAFE, Caller, caller_of
from api.operations import Operation
from api.parsing import Form, StrictJson
from api.problems import Problem, response_to
from api.rows import Row, Rows, read_parameters, tag_of, written
from fleet.estate.access import Need, narrowed
from fleet.estate.scope import scoped
from fleet.estate.security_log import note

METHODS = ("get", "post", "put", "patch", "delete")


class ApiView(APIView):
    authentication_classes: Any = ()  # `caller_of` finds out who asks, before anything else is read
    permission_classes: Any = ()
    throttle_classes: Any = ()
    parser_classes: Any = (StrictJson, Form)
    http_method_names = [*METHODS, "head"]
    caller: Caller
    given: dict[str, Any]
    asked: dict[str, Any]

    @classmethod
    def as_view(cls, **kwargs: Any) -> Any:
        operations = cls.operations()
        view = super().as_view(**kwargs)
        view.need = min((one.need for one in operations.values()), key=list(Need).index)  # type: ignore[attr-defined]
        return view

    @classmethod
    def operations(cls) -> dict[str, Operation]:
        """Method -> what it declares. Raises where a method declares nothing."""
        found = {}
        for method in METHODS:
            handler = getattr(cls, method, None)
            if handler is None:
                continue
            if not isinstance(getattr(handler, "operation", None), Operation):
                raise ImproperlyConfigured(f"{cls.__name__}.{method} declares no operation and no need.")
            found[method] = handler.operation
        if not found:
            raise ImproperlyConfigured(f"{cls.__name__} has no method.")
        return found

    def dispatch(self, request: HttpRequest, *args: Any, **kwargs: Any) -> HttpResponseBase:  # type: ignore[override]
        self.args, self.kwargs = args, kwargs
        headers: dict[str, str] = {}
        try:
            self.request = self.initialize_request(request, *args, **kwargs)
            operation = self._operation(request.method or "")
            response = self._enter(request, operation, headers)
        except Exception as error:
            response = response_to(error, request)
        response.headers.setdefault("Cache-Control", "private, no-cache")
        response.headers.setdefault("Vary", "Authorization, Cookie")
        for name, value in headers.items():
            response.headers.setdefault(name, value)
        return response

    def _enter(self, request: HttpRequest, operation: Operation, headers: dict[str, str]) -> HttpResponseBase:
        if operation.need is Need.PUBLIC:
            return self._answer(operation)
        self.caller = caller_of(request)
        headers.update(limits.count(self.caller.name))
        if operation.need not in self.caller.needs:
            self.caller.note_refusal(operation.need)
            raise Problem("not-allowed", f"This needs the right to {operation.need.value}.")
        scope = self.caller.scope
        with scoped(scope if operation.clients else narrowed(scope, operation.need)):
            response = self._answer(operation)
            if operation.file and self.caller.token_id and response.status_code == 200:
                # What leaves by a browser's session is noted by the pages' own middleware.
                words = f"Took the file {request.path} by a token"
                note("export", words, organisation_id=self.caller.organisation.pk)
            return response

    def _operation(self, method: str) -> Operation:
        known = self.operations()
        found = known.get("get" if method == "HEAD" else method.lower())
        if found is None:
            allowed = [name.upper() for name in known] + (["HEAD"] if "get" in known else [])
            raise Problem("method", headers={"Allow": ", ".join(sorted(allowed))})
        return found

    def _answer(self, operation: Operation) -> HttpResponseBase:
        declared = operation.lists.parameters() if operation.lists else operation.asks
        self.asked = read_parameters(self.request.query_params, declared)
        method = (self.request.method or "").lower()
        handler = getattr(self, "get" if method == "head" else method)
        if self.request.method in SAFE:
            return self._conditional(handler(self.request, **self.kwargs))
        if operation.edits and "If-Match" not in self.request.headers:
            raise Problem("match-needed", "Read it first and send its ETag as If-Match.")
        data = self._data(operation)
        with transaction.atomic():
            return self._once(operation, handler, data)

    def _once(self, operation: Operation, handler: Callable[..., Any], data: Any) -> HttpResponseBase:
        """The change itself; for a post with a key, at most once."""
        key = self.request.headers.get("Idempotency-Key") if self.request.method == "POST" else None
        if key is None:
            self.given = self._given(operation, data)
            return handler(self.request, **self.kwargs)  # type: ignore[no-any-return]
        if operation.secret:
            words = "Its answer shows a secret once and is never kept: send it without an Idempotency-Key."
            raise Problem("malformed", words)
        digest = keys.digest_of("POST", self.request.get_full_path(), data, self.request.FILES)
        row = keys.begin(self.caller, key, digest)
        if isinstance(row, HttpResponse):
            return row
        self.given = self._given(operation, data)
        response = handler(self.request, **self.kwargs)
        keys.keep(row, response)
        return response  # type: ignore[no-any-return]

    def _data(self, operation: Operation) -> Any:
        """The content as it was sent; a kind of content that this operation does not read is refused."""
        if operation.takes is None:
            content = {} if self.request.META.get("CONTENT_LENGTH") in (None, "", "0") else self.request.data
            if content:
                raise Problem("malformed", "This takes no content.")
            return {}
        wanted = Form.media_type if operation.form else StrictJson.media_type
        sent = (self.request.content_type or "").partition(";")[0].strip().lower()
        if sent and sent != wanted:
            raise Problem("media-type", f"Send {wanted}.")
        return self.request.data

    def _given(self, operation: Operation, data: Any) -> dict[str, Any]:
        if operation.takes is None:
            return {}
        shape = operation.takes(data=data, partial=operation.partial, context={"view": self})  # type: ignore[call-arg]
        shape.is_valid(raise_exception=True)
        return dict(shape.validated_data)

    # --- answers

    def _conditional(self, response: HttpResponseBase) -> HttpResponseBase:
        tag = response.headers.get("ETag")
        known = self.request.headers.get("If-None-Match", "")
        if tag and known and (known.strip() == "*" or tag in _tags(known.replace("W/", ""))):
            unchanged = HttpResponse(status=304)
            unchanged["ETag"] = tag
            return unchanged
        return response

    def answer(
        self, content: Any, status: int = 200, headers: Mapping[str, str] | None = None
    ) -> HttpResponse:
        body = written(content)
        response = HttpResponse(body, status=status, content_type="application/json")
        if status in (200, 201):
            response["ETag"] = tag_of(body)
        for name, value in (headers or {}).items():
            response[name] = value
        return response

    def page(self, rows: Rows) -> HttpResponse:
        """A page of rows with its next cursor, also as a Link header."""
        found = rows.page(self.asked, self._with_cursor)
        headers = {"Link": f'<{found["next"]}>; rel="next"'} if found["next"] else {}
        return self.answer(found, headers=headers)

    def _with_cursor(self, cursor: str) -> str:
        query = {name: value for name, value in self.request.query_params.items() if name != "after"}
        return f"{self.request.path}?{urlencode(query | {'after': cursor})}"

    def made(self, rows: Rows, pk: int, address: str) -> HttpResponse:
        return self.answer(rows.one(pk), 201, {"Location": f"{address}/{pk}"})

    def asked_for(self, row: Row, address: str) -> HttpResponse:
        """Work that goes on behind: the row that will hold it, and the job to watch."""
        job = row.get("job_id", row["id"])
        headers = {"Location": address, "Link": f'</api/v1/jobs/{job}>; rel="monitor"'}
        return self.answer(row, 202, headers)

    # --- writing to what was read

    def held(self, rows: Rows, pk: int) -> Any:
        """The row under lock, after If-Match was held against it. Raises Http404 and 412."""
        found = rows.source().select_for_update(of=("self",)).filter(pk=pk).first()
        if found is None:
            raise Http404
        self.must_match(rows.one(pk))
        return found

    def must_match(self, row: Row) -> None:
        sent = self.request.headers.get("If-Match")
        if sent is not None:
            match_or_refuse(sent, row)


def match_or_refuse(sent: str, row: Row) -> None:
    if sent.strip() != "*" and tag_of(written(row)) not in _tags(sent):
        raise Problem("changed-meanwhile", "Read it again and enter your change on top of what it is now.")


def _tags(header: str) -> list[str]:
    return [tag.strip() for tag in header.split(",")]


def plain_request(request: Request) -> HttpRequest:
    return request._request
