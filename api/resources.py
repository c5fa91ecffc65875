"""The usual views of a kind of row: list and enter, one and change, many at once with a result each."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from django.db import transaction
from django.http import Http404, HttpResponse
from django.urls import path
from rest_framework import serializers

from api.door import ApiView, match_or_refuse
from api.operations import operation
from api.problems import Problem, problem_of
from api.rows import Rows, tag_of, written
from api.shapes import Exact, FromModel, StrictText, StrictWhole, StrictYes
from fleet.estate.access import Need

MOST_AT_ONCE = 500


@dataclass(frozen=True)
class Resource:
    """`create` and `change` call the verb; the rest is the same for every kind of row."""

    rows: Rows
    address: str
    one: str  # "a heater"
    many: str
    need: Need
    takes: type[FromModel]
    changes: type[FromModel]
    create: Callable[[ApiView, dict[str, Any]], Any]
    change: Callable[[Any, dict[str, Any]], Any]
    create_need: Need | None = None

    @property
    def to_create(self) -> Need:
        return self.create_need or self.need


class RowResult(serializers.Serializer):
    index = serializers.IntegerField(min_value=0, help_text="Place of the row in what was sent, from 0")
    status = serializers.IntegerField()
    id = serializers.IntegerField(allow_null=True)
    etag = serializers.CharField(allow_null=True)
    problem = serializers.JSONField(allow_null=True, help_text="Problem details, where the row was refused")


class BulkResult(serializers.Serializer):
    done = serializers.IntegerField()
    refused = serializers.IntegerField()
    results = RowResult(many=True)


class Rowwise(Exact, serializers.Serializer):
    """Rows are read one by one later, so that one bad row does not refuse the others."""

    def to_internal_value(self, data: Any) -> Any:
        rows = data.get("rows") if isinstance(data, dict) else None
        if not isinstance(rows, list) or not 1 <= len(rows) <= MOST_AT_ONCE:
            raise serializers.ValidationError({"rows": [f"Send a list of 1 to {MOST_AT_ONCE} rows."]})
        whole = data.get("all_or_nothing", False)
        if not isinstance(whole, bool):
            raise serializers.ValidationError({"all_or_nothing": ["Must be true or false."]})
        if unknown := set(data) - {"rows", "all_or_nothing"}:
            raise serializers.ValidationError(
                {min(unknown)[:60]: ["Not a field here; rows, all_or_nothing are."]}
            )
        return {"rows": rows, "all_or_nothing": whole}


def bulk_shape(name: str, row: type[serializers.Serializer]) -> type[Rowwise]:
    return type(
        name,
        (Rowwise,),
        {
            "rows": row(many=True, max_length=MOST_AT_ONCE, min_length=1),  # type: ignore[call-arg]
            "all_or_nothing": StrictYes(required=False),
        },
    )


def _identified(changes: type[FromModel]) -> type[FromModel]:
    """The shape of a change with the row's number and the ETag that was read."""
    meta = type("Meta", (changes.Meta,), {"fields": ("id", "etag", *changes.Meta.fields)})  # type: ignore[attr-defined]
    fields = {
        "id": StrictWhole(min_value=1, max_value=2**53),
        "etag": StrictText(max_length=100),
        "Meta": meta,
    }
    return type(f"{changes.__name__}OfMany", (changes,), fields)


def each(view: ApiView, work: Callable[[Any], dict[str, Any]]) -> HttpResponse:
    """Do the work for each row in a transaction of its own; all of them or none where that was asked for."""
    results = []
    for index, row in enumerate(view.given["rows"]):
        try:
            with transaction.atomic():
                results.append({"index": index, **work(row), "problem": None})
        except Exception as error:
            problem = problem_of(error)
            if problem is None or problem.kind == "busy":
                raise
            if view.given["all_or_nothing"]:
                raise _whole_refusal(problem, index) from error
            refused = {"status": problem.status, "id": None, "etag": None, "problem": problem.body()}
            results.append({"index": index, **refused})
    done = sum(1 for one in results if one["problem"] is None)
    return view.answer({"done": done, "refused": len(results) - done, "results": results})


def _whole_refusal(problem: Problem, index: int) -> Problem:
    under = f"/rows/{index}"
    errors = [{**one, "pointer": under + one.get("pointer", "")} for one in problem.errors]
    detail = f"Row {index} was refused and all or nothing was asked for: nothing was done. {problem.detail}"
    return Problem(
        "refused", detail.strip(), errors or [{"pointer": under, "detail": problem.body()["title"]}]
    )


def read_row(
    shape: type[serializers.Serializer], row: Any, view: ApiView, partial: bool = False
) -> dict[str, Any]:
    read = shape(data=row, partial=partial, context={"view": view})
    read.is_valid(raise_exception=True)
    return dict(read.validated_data)


def routes(found: Resource) -> list[Any]:
    """Collection, one row, and many at once."""
    rows, label = found.rows, found.rows.name
    tag = found.address

    class Collection(ApiView):
        @operation(Need.READ, f"{found.many.capitalize()}, a page at a time.", lists=rows, tag=tag)
        def get(self, request: Any) -> HttpResponse:
            return self.page(rows)

        @operation(
            found.to_create, f"Enter {found.one}.", takes=found.takes, gives=rows.shape, status=201, tag=tag
        )
        def post(self, request: Any) -> HttpResponse:
            made = found.create(self, self.given)
            return self.made(rows, made.pk, request.path)

    class One(ApiView):
        @operation(Need.READ, f"{found.one.capitalize()}.", gives=rows.shape, tag=tag)
        def get(self, request: Any, pk: int) -> HttpResponse:
            return self.answer(rows.one(pk))

        @operation(
            found.need, f"Change {found.one}: only the fields sent.", takes=found.changes, gives=rows.shape,
            edits=True, partial=True, tag=tag,
        )  # fmt: skip
        def patch(self, request: Any, pk: int) -> HttpResponse:
            found.change(self.held(rows, pk), self.given)
            return self.answer(rows.one(pk))

    class Many(ApiView):
        @operation(
            found.to_create, f"Enter many {found.many}, with a result for each.", tag=tag,
            takes=bulk_shape(f"{found.takes.__name__}Bulk", found.takes), gives=BulkResult,
        )  # fmt: skip
        def post(self, request: Any) -> HttpResponse:
            def enter(row: Any) -> dict[str, Any]:
                pk = found.create(self, read_row(found.takes, row, self)).pk
                return {"status": 201, "id": pk, "etag": tag_of(written(rows.one(pk)))}

            return each(self, enter)

        changed_row = _identified(found.changes)

        @operation(
            found.need, f"Change many {found.many}, each with the ETag that was read.", tag=tag,
            takes=bulk_shape(f"{found.changes.__name__}Bulk", changed_row), gives=BulkResult,
        )  # fmt: skip
        def patch(self, request: Any) -> HttpResponse:
            def change(row: Any) -> dict[str, Any]:
                given = read_row(self.changed_row, row, self, partial=True)
                missing = {name: ["This field is required."] for name in ("id", "etag") if name not in given}
                if missing:
                    raise serializers.ValidationError(missing)
                pk, etag = given.pop("id"), given.pop("etag")
                held = rows.source().select_for_update(of=("self",)).filter(pk=pk).first()
                if held is None:
                    raise Http404
                match_or_refuse(etag, rows.one(pk))
                found.change(held, given)
                return {"status": 200, "id": pk, "etag": tag_of(written(rows.one(pk)))}

            return each(self, change)

    for view, suffix in ((Collection, "Collection"), (One, "One"), (Many, "Many")):
        view.__name__ = f"{label}{suffix}"
    return [
        path(found.address, Collection.as_view(), name=found.address),
        path(f"{found.address}/bulk", Many.as_view(), name=f"{found.address}_bulk"),
        path(f"{found.address}/<number:pk>", One.as_view(), name=f"{found.address}_one"),
    ]
