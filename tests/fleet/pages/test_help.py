"""The pages that explain: every trade word once and in order, every source of the shipped lifetimes, the run in use."""

from __future__ import annotations

import csv
import gzip

from django.conf import settings
from django.test import Client
from django.urls import resolve, reverse

from fleet.pages import guide, help_views
from tests.conftest import Cast


def test_trade_words_stand_once_and_in_order(cast: Cast) -> None:
    words = [term["word"].lower() for term in help_views.glossary()]
    assert words == sorted(set(words))
    page = cast.client(cast.technician).get(reverse("pages:trade_words")).content.decode()
    assert all(f'id="{term["anchor"]}"' in page for term in help_views.glossary())


def test_the_method_names_every_source_of_the_shipped_lifetimes(cast: Cast) -> None:
    page = cast.client(cast.owner).get(reverse("pages:method")).content.decode()
    with (settings.ROOT / "fixtures" / "lifetimes.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    assert len(rows) > 20
    for row in rows:
        assert row["source"].split("(")[0].split("'")[0].split("&")[0].strip() in page, row["source"]
    assert "No forecast has been run on your record yet" in page


def test_the_keys_are_listed_and_their_doors_open(cast: Cast) -> None:
    client = cast.client(cast.owner)
    page = client.get(reverse("pages:keys")).content.decode()
    script = (settings.ROOT / "fleet/pages/static/pages/keys.js").read_text(encoding="utf-8")
    doors = dict(
        part.split(": ")
        for part in script.split("const doors = {")[1].split("}")[0].strip().rstrip(",").split(", ")
    )
    assert len(doors) == 5
    for key, door in doors.items():
        assert client.get(door.strip('"')).status_code == 200
        assert f"<kbd>{key}</kbd>" in page


def test_every_step_of_the_guide_has_its_picture_and_a_page_behind_it(cast: Cast) -> None:
    client = cast.client(cast.owner)
    page = client.get(reverse("pages:guide")).content.decode()
    steps = [step for user in guide.users() for step in user.steps]
    assert len({step.picture for step in steps}) == len(steps) > 8
    for step in steps:
        assert step.image, f"{step.picture}: make the pictures with `python -m tests.guide`"
        assert f"guide/{step.picture}" in page
        if step.link:
            assert resolve(step.link).view_name
            assert (f'href="{step.link}">Go there' in page) == (step not in guide.users()[-1].steps)


def test_the_stylesheet_travels_compressed_and_is_not_sent_twice() -> None:
    client, address = Client(headers={"accept-encoding": "gzip"}), "/static/pages/almanac.css"
    first = client.get(address)
    sheet = (settings.ROOT / "fleet/pages/static/pages/almanac.css").read_bytes()
    assert first["Content-Encoding"] == "gzip"
    assert gzip.decompress(b"".join(first)) == sheet
    again = client.get(address, headers={"if-modified-since": first["Last-Modified"]})
    assert (again.status_code, b"".join(again)) == (304, b"")
    part = client.get(address, headers={"range": "bytes=0-9"})
    assert (part.status_code, b"".join(part)) == (206, sheet[:10])
    assert b"".join(Client().get(address)) == sheet


def test_pages_travel_compressed_and_the_outside_door_does_not(cast: Cast) -> None:
    client = cast.client(cast.owner)
    page = client.get(reverse("pages:heaters"), headers={"accept-encoding": "gzip"})
    assert page.headers["Content-Encoding"] == "gzip"
    assert b"H-1" in gzip.decompress(page.content)
    assert len(page.content) < len(client.get(reverse("pages:heaters")).content) / 2
    answer = client.get(f"/api/v1/heaters/{cast.heater.pk}/", headers={"accept-encoding": "gzip"})
    assert "Content-Encoding" not in answer.headers
