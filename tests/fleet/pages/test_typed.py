"""A form that was turned back comes with what was typed, once, and no other form does."""

from __future__ import annotations

import html
from html.parser import HTMLParser
from typing import Any

import pytest
from django.urls import reverse
from hypothesis import given
from hypothesis import strategies as some

from fleet.pages.typed import filled
from tests.conftest import Cast

PAGE = """<form method="post" action="/other/"><input name="why" value="own"></form>
<details class="a"><summary>One</summary><form method="post" action="/a/"><input type="hidden" name="row" value="1"><input name="why"></form></details>
<details><summary>Two</summary><form method="post" action="/a/"><input type="hidden" name="row" value="2">
<input type="hidden" name="csrfmiddlewaretoken" value="new"><input name="why" value="" required><textarea name="note">old</textarea>
<select name="kind"><option value="x" selected>X</option><option value="y">Y</option></select>
<input type="checkbox" name="sure" value="1" checked><input type="radio" name="when" value="now"><input type="password" name="password">
</form></details>"""


class Fields(HTMLParser):
    """What a browser would have in each field of the forms of a page."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.found: list[dict[str, str]] = []
        self.open_folds = 0
        self.within = ""
        self.feed(page)

    def handle_starttag(self, tag: str, pairs: list[tuple[str, str | None]]) -> None:
        given = dict(pairs)
        name, kind = given.get("name") or "", given.get("type")
        if tag == "form":
            self.found.append({})
        elif tag == "details":
            self.open_folds += "open" in given
        elif tag == "select" or tag == "textarea":
            self.within = name
            if tag == "textarea":
                self.found[-1][name] = ""
        elif tag == "option" and "selected" in given:
            self.found[-1][self.within] = given.get("value") or ""
        elif tag == "input" and (kind not in ("checkbox", "radio") or "checked" in given):
            self.found[-1][name] = given.get("value") or ""

    def handle_data(self, data: str) -> None:
        if self.found and self.within in self.found[-1] and self.get_starttag_text().startswith("<textarea"):
            self.found[-1][self.within] += data

    def handle_endtag(self, tag: str) -> None:
        if tag in ("select", "textarea"):
            self.within = ""


WORDS = some.text(some.characters(exclude_characters="\r\n\0", exclude_categories=["Cs"]), max_size=30)


@given(why=WORDS, note=WORDS)
def test_whatever_was_typed_comes_back_as_text_in_its_own_form(why: str, note: str) -> None:
    sent = {"row": ["2"], "why": [why], "note": [note], "kind": ["y"], "when": ["now"]}
    fields = Fields(filled(PAGE, "/", "/a/", sent))
    other, first, second = fields.found
    assert (other["why"], first["why"], fields.open_folds) == ("own", "", 1)
    assert (second["why"], second["note"].removeprefix("\n"), second["kind"]) == (why, note, "y")
    assert second["when"] == "now"
    assert "sure" not in second  # it was not ticked any more


def test_where_no_form_sends_there_the_page_stays() -> None:
    assert filled(PAGE, "/", "/b/", {"why": ["x"]}) == PAGE
    assert filled(PAGE, "/", "/a/", {"row": ["3"], "why": ["x"]}) == PAGE


def shown(answer: Any) -> list[dict[str, str]]:
    return Fields(answer.content.decode()).found


def test_a_care_rule_that_is_turned_back_keeps_its_words(cast: Cast) -> None:
    client, address = cast.client(cast.planner), reverse("care:settings", args=[cast.property.pk])
    sent = {
        "kind": "anode_inspection",
        "interval_months": "soon",
        "source": 'rule "7" <b>',
        "switched_off": "1",
    }
    answer = client.post(address, sent, follow=True)
    assert "is not a number of months" in html.unescape(answer.content.decode())
    form = next(fields for fields in shown(answer) if "interval_months" in fields)
    assert {name: form.get(name) for name in sent} == sent
    later = next(fields for fields in shown(client.get(address)) if "interval_months" in fields)
    assert (later["interval_months"], later["source"]) == ("", "")


def test_of_two_crews_the_one_that_was_turned_back_keeps_its_words(cast: Cast) -> None:
    client = cast.client(cast.planner)
    for name in ("North", "South"):
        client.post(reverse("care:crews"), {"name": name, "hours_a_day": "6:40"})
    from fleet.care.models import Crew
    from fleet.estate.scope import unscoped

    with unscoped("looking"):
        south = Crew.objects.get(name="South")
    address = reverse("care:change_crew", args=[south.pk])
    answer = client.post(address, {"name": "Far South", "hours_a_day": "150"}, follow=True)
    names = {fields.get("name"): fields.get("hours_a_day") for fields in shown(answer)}
    assert names["Far South"] == "150"
    assert names["North"] == "6:40"


@pytest.mark.parametrize("name", ["password", "code", "csrfmiddlewaretoken", "client_secret"])
def test_secrets_are_not_kept(cast: Cast, name: str) -> None:
    client, address = cast.client(cast.planner), reverse("care:settings", args=[cast.property.pk])
    client.post(address, {"kind": "flush", "interval_months": "soon", name: "hunter-2"})
    assert "soon" in str(client.session["typed"])
    assert "hunter-2" not in str(client.session["typed"])
