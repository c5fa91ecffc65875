"""Views that are alike for every kind of row: a list, one, a verb on one, a removal, a file."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from django.http import Http404, HttpResponse

from api.door import ApiView
from api.operations import Asked, Shape, operation
from api.rows import Rows
from fleet.estate.access import Need
from fleet.estate.models import Membership, Organisation

PDF = "application/pdf"
CSV = "text/csv"
XLSX = "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet"
Work = Callable[[ApiView, Any], Any]


def listing(rows: Rows, words: str, tag: str, need: Need = Need.READ) -> Any:
    """A view that only lists."""

    class Listing(ApiView):
        @operation(need, f"{words}, a page at a time.", lists=rows, tag=tag)
        def get(self, request: Any) -> HttpResponse:
            return self.page(rows)

    Listing.__name__ = f"{rows.name}Listing"
    return Listing.as_view()


def single(rows: Rows, words: str, tag: str, need: Need = Need.READ) -> Any:
    class Single(ApiView):
        @operation(need, f"{words}.", gives=rows.shape, tag=tag)
        def get(self, request: Any, pk: int) -> HttpResponse:
            return self.answer(rows.one(pk))

    Single.__name__ = f"{rows.name}Single"
    return Single.as_view()


@dataclass(frozen=True)
class Verb:
    """A verb on one row. `work` gets the view (with what was given) and the row under lock; what it returns is the
    answer: nothing for the row as it is now, a response as it stands, or plain values of the shape `gives`."""

    need: Need
    says: str
    work: Work
    takes: Shape | None = None
    gives: Shape | None = None
    status: int = 200
    form: bool = False
    clients: bool = False
    secret: bool = False


def act(rows: Rows, tag: str, verb: Verb) -> Any:
    """POST of a verb: the row is looked up in sight and held against If-Match where that was sent."""

    class Act(ApiView):
        @operation(
            verb.need, verb.says, takes=verb.takes, gives=verb.gives or rows.shape, status=verb.status,
            form=verb.form, clients=verb.clients, secret=verb.secret, tag=tag,
        )  # fmt: skip
        def post(self, request: Any, pk: int) -> HttpResponse:
            return answered(self, rows, pk, verb.work(self, self.held(rows, pk)), verb.status)

    Act.__name__ = f"{rows.name}Act"
    return Act.as_view()


def answered(view: ApiView, rows: Rows, pk: int, found: Any, status: int = 200) -> HttpResponse:
    if isinstance(found, HttpResponse):
        return found
    if status == 204:
        return HttpResponse(status=204)
    return view.answer(rows.one(pk) if found is None else found, status)


@dataclass(frozen=True)
class Doors:
    """What one row may be asked beside reading: a change of its fields, and its removal."""

    rows: Rows
    one: str  # "an escalation rule"
    tag: str
    need: Need
    reads: Need = Need.READ
    changes: Shape | None = None
    change: Work | None = None
    remove: Work | None = None
    clients: bool = False


def one_of(found: Doors) -> Any:
    """GET of one row, PATCH and DELETE where they are there."""
    rows = found.rows

    class One(ApiView):
        @operation(found.reads, f"{found.one.capitalize()}.", gives=rows.shape, tag=found.tag)
        def get(self, request: Any, pk: int) -> HttpResponse:
            return self.answer(rows.one(pk))

        if found.change is not None:

            @operation(
                found.need, f"Change {found.one}: only the fields sent.", takes=found.changes, gives=rows.shape,
                edits=True, partial=True, clients=found.clients, tag=found.tag,
            )  # fmt: skip
            def patch(self, request: Any, pk: int) -> HttpResponse:
                assert found.change is not None
                found.change(self, self.held(rows, pk))
                return self.answer(rows.one(pk))

        if found.remove is not None:

            @operation(found.need, f"Remove {found.one}.", status=204, tag=found.tag)
            def delete(self, request: Any, pk: int) -> HttpResponse:
                assert found.remove is not None
                found.remove(self, self.held(rows, pk))
                return HttpResponse(status=204)

    One.__name__ = f"{rows.name}One"
    return One.as_view()


@dataclass(frozen=True)
class File:
    """A file made of one row: `make` gives its content and its name, or None where there is none."""

    need: Need
    says: str
    kind: str
    make: Callable[[ApiView, Any], tuple[bytes, str] | None]
    clients: bool = False
    asks: dict[str, Asked] | None = None


def file_of(rows: Rows, tag: str, found: File) -> Any:
    class Document(ApiView):
        @operation(
            found.need, found.says, file=found.kind, clients=found.clients, asks=found.asks or {}, tag=tag
        )
        def get(self, request: Any, pk: int) -> HttpResponse:
            row = rows.source().filter(pk=pk).first()
            made = None if row is None else found.make(self, row)
            if made is None:
                raise Http404
            return as_file(made[0], made[1], found.kind)

    Document.__name__ = f"{rows.name}File"
    return Document.as_view()


def as_file(content: bytes | str, name: str, kind: str) -> HttpResponse:
    charset = "; charset=utf-8" if kind.startswith("text/") else ""
    response = HttpResponse(content, content_type=kind + charset)
    response["Content-Disposition"] = f'attachment; filename="{name}"'
    response["X-Content-Type-Options"] = "nosniff"
    return response


def company_of(view: ApiView) -> Organisation:
    """The caller's organisation, where it is a plumbing company; to others what is a company's is not there."""
    organisation = view.caller.organisation
    if organisation.kind != Organisation.Kind.COMPANY:
        raise Http404
    return organisation


def member_of(view: ApiView) -> Membership:
    """Whose own things are asked for: her wishes, her calendar, a file of all that she sees.

    A service stands for no person, and a token for some properties for a part of what she sees.
    """
    from api.problems import Problem

    caller = view.caller
    if caller.membership is None or (caller.token is not None and not caller.token.all_properties):
        raise Problem("not-now", "This is a person's own: ask with her token for all properties.")
    return caller.membership


def whole_only(view: ApiView) -> None:
    """For what serves all properties: who sees only some of them does not rule over it."""
    from api.problems import Problem

    if not view.caller.sees_all_properties:
        raise Problem(
            "not-allowed", "This concerns the whole house: only who sees all its properties may ask for it."
        )


__all__ = [
    "CSV", "PDF", "XLSX", "Doors", "File", "Verb", "act", "answered", "as_file", "company_of", "file_of", "listing",
    "member_of", "one_of", "single", "whole_only",
]  # fmt: skip
