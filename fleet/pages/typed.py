"""What was typed into a form that was turned back stands in it again on the page that says why.

A verb that refuses leads back to its page with an error. What was sent waits in the session until the next page is
shown; the one form there that would send it again is filled in. Secrets are never kept.
"""

from __future__ import annotations

import html
import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from itertools import pairwise

from django.contrib.messages import ERROR
from django.http import HttpRequest, HttpResponse

KEY = "typed"
LONGEST = 20_000  # letters
SECRET = re.compile(r"password|credential|secret|token|code|csrf", re.IGNORECASE)
_TAG = re.compile(r"<(/?)(form|input|select|option|textarea|details)\b([^>]*)>", re.IGNORECASE)
_ATTRIBUTE = re.compile(r'([^\s=/"]+)(?:\s*=\s*"([^"]*)")?')
FILLED = ("text", "search", "email", "url", "tel", "number", "date", "time", "datetime-local", "month")


@dataclass
class _Tag:
    start: int
    end: int
    closes: bool
    name: str
    attributes: dict[str, str | None]

    def value(self, name: str) -> str:
        return html.unescape(self.attributes.get(name) or "")

    def written(self) -> str:
        pairs = (name if value is None else f'{name}="{value}"' for name, value in self.attributes.items())
        return f"<{' '.join([self.name, *pairs])}>"

    def mark(self, name: str, holds: bool) -> None:
        self.attributes.pop(name, None)
        if holds:
            self.attributes[name] = None


Typed = dict[str, list[str]]


class TypedMiddleware:
    def __init__(self, get_response: Callable[[HttpRequest], HttpResponse]) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        response = self.get_response(request)
        if request.method == "POST" and response.status_code == 302 and _turned_back(request):
            sent = {name: values for name, values in request.POST.lists() if not SECRET.search(name)}
            if sum(len(value) for values in sent.values() for value in values) <= LONGEST:
                request.session[KEY] = {"to": request.get_full_path(), "sent": sent}
        elif _is_page(request, response) and KEY in request.session:
            kept = request.session.pop(KEY)
            text = filled(response.content.decode(), request.get_full_path(), kept["to"], kept["sent"])
            response.content = text.encode()
        return response


def _is_page(request: HttpRequest, response: HttpResponse) -> bool:
    """A page that has looked at its reader's session; an open one must not come to depend on one by this."""
    kind = response.headers.get("Content-Type", "")
    asked = request.method == "GET" and response.status_code == 200 and not response.streaming
    return asked and kind.startswith("text/html") and request.session.accessed


def _turned_back(request: HttpRequest) -> bool:
    # Asked by its door, the storage would hold its messages for shown.
    waiting = getattr(getattr(request, "_messages", None), "_queued_messages", ())
    return any(message.level >= ERROR for message in waiting)


def filled(page: str, here: str, to: str, sent: Typed) -> str:
    """The page with what was sent in the form that sends to `to`, and the folds round it open."""
    tags = [
        _Tag(found.start(), found.end(), bool(found[1]), found[2].lower(), dict(_attributes(found[3])))
        for found in _TAG.finditer(page)
    ]
    form = next((part for part in _forms(tags) if _sends(part, here, to, sent)), [])
    changed = {tag.start: (tag.end, tag.written()) for tag in _folds(tags, form)}
    changed |= dict(_fields(form, sent))
    pieces, at = [], 0
    for start, (end, words) in sorted(changed.items()):
        pieces += [page[at:start], words]
        at = end
    return "".join([*pieces, page[at:]])


def _attributes(text: str) -> Iterator[tuple[str, str | None]]:
    for found in _ATTRIBUTE.finditer(text):
        yield found[1], found[2]


def _forms(tags: list[_Tag]) -> Iterator[list[_Tag]]:
    """Each form's tags, from its own beginning to its end."""
    begins = None
    for at, tag in enumerate(tags):
        if tag.name == "form" and not tag.closes:
            begins = at
        elif tag.name == "form" and begins is not None:
            yield tags[begins : at + 1]
            begins = None


def _sends(form: list[_Tag], here: str, to: str, sent: Typed) -> bool:
    """Whether it sends to there, with the same hidden values: many rows of a list may have a form to one address."""
    first = form[0]
    if first.value("method").lower() != "post" or (first.value("action") or here) != to:
        return False
    hidden = [tag for tag in form if tag.name == "input" and tag.value("type") == "hidden"]
    return all(
        tag.value("value") in sent.get(tag.value("name"), ())
        for tag in hidden
        if not SECRET.search(tag.value("name"))
    )


def _folds(tags: list[_Tag], form: list[_Tag]) -> list[_Tag]:
    """The folds that are closed round the form."""
    around: list[_Tag] = []
    for tag in tags:
        if form and tag is form[0]:
            break
        if tag.name == "details":
            around = around[:-1] if tag.closes else [*around, tag]
    else:
        return []
    for tag in around:
        tag.mark("open", True)
    return around


def _fields(form: list[_Tag], sent: Typed) -> Iterator[tuple[int, tuple[int, str]]]:
    """Where the fields stand that were sent, and how they are written with what was sent."""
    choice: list[str] | None = None
    for tag, after in pairwise(form):
        name, kind = tag.value("name"), tag.value("type") or "text"
        if tag.name == "select":
            choice = None if tag.closes else sent.get(name)
        elif tag.name == "option" and not tag.closes and choice is not None:
            tag.mark("selected", tag.value("value") in choice)
            yield tag.start, (tag.end, tag.written())
        elif tag.name == "textarea" and not tag.closes and name in sent:
            yield tag.start, (after.start, tag.written() + "\n" + html.escape(sent[name][0]))
        elif tag.name == "input" and kind in ("checkbox", "radio"):
            # What was not ticked was not sent.
            tag.mark("checked", (tag.value("value") or "on") in sent.get(name, ()))
            yield tag.start, (tag.end, tag.written())
        elif tag.name == "input" and kind in FILLED and name in sent:
            tag.attributes["value"] = html.escape(sent[name].pop(0) if sent[name] else "")
            yield tag.start, (tag.end, tag.written())
