"""Changing a heater's record by hand: dates as known, history, two people at once, files."""

from __future__ import annotations

import io
import re
from datetime import date
from pathlib import Path
from typing import Any

import pytest
from django.conf import LazySettings
from django.core.files.uploadedfile import SimpleUploadedFile
from django.urls import reverse
from PIL import Image

from fleet.estate.models import HistoryEntry
from fleet.estate.scope import scope_of_organisation, scoped
from fleet.heaters.models import Attachment, Heater
from tests.conftest import Cast, make_heater


def form_of(page: str) -> dict[str, str]:
    """What a browser would send back of a form it was shown."""
    sent = dict(re.findall(r'<input type="(?:text|number|hidden)" name="(\w+)" value="([^"]*)"', page))
    for name, inside in re.findall(r'<select name="(\w+)"[^>]*>(.*?)</select>', page, re.S):
        chosen = re.search(r'<option value="([^"]*)" selected', inside)
        sent[name] = chosen[1] if chosen else ""
    return sent


def opened(cast: Cast, **changes: str) -> tuple[Any, str, dict[str, str]]:
    client = cast.client(cast.technician)
    address = reverse("pages:edit_heater", args=[cast.heater.pk])
    return client, address, form_of(client.get(address).content.decode()) | changes


def heater_now(cast: Cast) -> Heater:
    with scoped(scope_of_organisation(cast.house)):
        return Heater.objects.get(pk=cast.heater.pk)


def test_saving_what_was_shown_changes_nothing(cast: Cast) -> None:
    client, address, sent = opened(cast)
    assert sent["installed"] == "3 May 2016"
    assert client.post(address, sent).status_code == 302
    assert heater_now(cast).version == 1
    with scoped(scope_of_organisation(cast.house)):
        assert HistoryEntry.objects.count() == 0


def test_what_came_in_other_units_is_shown_short_and_kept_as_it_was(cast: Cast) -> None:
    kept = {"capacity_gal": 150 / 3.785411784, "input_btu_h": 4500 * 3.412141633, "warranty_years": 6.0}
    with scoped(scope_of_organisation(cast.house)):
        Heater.objects.filter(pk=cast.heater.pk).update(**kept)
    client, address, sent = opened(cast)
    assert [sent[name] for name in kept] == ["39.6", "15355", "6"]
    assert client.post(address, sent | {"setpoint_f": "130"}).status_code == 302
    changed = heater_now(cast)
    assert changed.setpoint_f == 130
    assert [float(getattr(changed, name)) for name in kept] == pytest.approx(list(kept.values()), rel=1e-12)


def test_a_change_is_kept_with_who_what_and_why(cast: Cast) -> None:
    client, address, sent = opened(cast, setpoint_f="130", recirculation="false", reason="read at the dial")
    assert client.post(address, sent).status_code == 302
    changed = heater_now(cast)
    assert (changed.setpoint_f, changed.recirculation, changed.version) == (130, False, 2)
    with scoped(scope_of_organisation(cast.house)):
        entry = HistoryEntry.objects.get()
    assert entry.changes == {"setpoint_f": [None, 130.0], "recirculation": [None, False]}
    assert (entry.actor, entry.reason) == ("Technician", "read at the dial")
    page = client.get(reverse("pages:heater", args=[cast.heater.pk])).content.decode()
    assert "130 °F" in page
    assert "changed by Technician" in page
    assert "read at the dial" in client.get(reverse("pages:history")).content.decode()


@pytest.mark.parametrize(
    ("written", "earliest", "latest", "precision"),
    [
        ("2014", date(2014, 1, 1), date(2014, 12, 31), "year"),
        ("May 2014", date(2014, 5, 1), date(2014, 5, 31), "month"),
        ("2012 to 2014", date(2012, 1, 1), date(2014, 12, 31), "between"),
        ("unknown", None, None, "unknown"),
        ("", None, None, "unknown"),
    ],
)
def test_a_date_is_kept_as_exactly_as_it_was_known(
    cast: Cast, written: str, earliest: date | None, latest: date | None, precision: str
) -> None:
    client, address, sent = opened(cast, installed=written)
    assert client.post(address, sent).status_code == 302
    changed = heater_now(cast)
    assert (changed.installed_earliest, changed.installed_latest) == (earliest, latest)
    assert changed.installed_precision == precision
    again = form_of(client.get(address).content.decode())
    assert client.post(address, again).status_code == 302
    assert heater_now(cast).version == changed.version, "reading the form back must not change the date"


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"installed": "3/4/15"}, "Right would be"),
        ({"installed": "soon"}, "cannot be read as a date"),
        ({"removed": "2019-01-01"}, "Give both how it ended and when"),
        ({"ending": "tank_leak"}, "Give both how it ended and when"),
        ({"ending": "tank_leak", "removed": "2010-01-01"}, "before it was put in"),
        ({"setpoint_f": "999"}, "not possible"),
        ({"tag": ""}, "required"),
        ({"kind": "teapot"}, "not one of the available choices"),
    ],
)
def test_what_cannot_be_is_refused_in_words_and_nothing_is_saved(
    cast: Cast, changes: dict[str, str], words: str
) -> None:
    client, address, sent = opened(cast, **changes)
    answer = client.post(address, sent)
    assert answer.status_code == 400
    assert words in answer.content.decode()
    assert heater_now(cast).version == 1


def test_two_people_at_once_the_second_is_told(cast: Cast) -> None:
    client, address, first = opened(cast, setpoint_f="125")
    second = first | {"setpoint_f": "140"}
    assert client.post(address, first).status_code == 302
    answer = client.post(address, second)
    assert answer.status_code == 400
    assert "Somebody else changed this heater" in answer.content.decode()
    assert heater_now(cast).setpoint_f == 125


def test_an_ending_frees_the_position_for_a_successor_shown_with_its_predecessor(cast: Cast) -> None:
    client, address, sent = opened(cast, ending="tank_leak", removed="June 2024")
    put_in = reverse("pages:put_in_heater", args=[cast.position.pk])
    new = {"tag": "H-2", "kind": "heat_pump", "installed": "2024-06-20"}
    early = client.post(put_in, new)
    assert early.status_code == 400
    assert "Another heater is in service" in early.content.decode()
    assert client.post(address, sent).status_code == 302
    answer = client.post(put_in, new)
    assert answer.status_code == 302
    page = client.get(answer["Location"]).content.decode()
    assert "H-1" in page
    assert "tank leak" in page
    assert "Jun 2024" in page
    assert page.count('class="serving"') == 1
    assert page.count('class="earlier"') == 1


def test_changing_a_position_keeps_history_and_unknown_apart_from_no(cast: Cast) -> None:
    client = cast.client(cast.technician)
    address = reverse("pages:edit_position", args=[cast.position.pk])
    sent = form_of(client.get(address).content.decode()) | {"has_pan": "false", "static_pressure_psi": "74"}
    assert client.post(address, sent).status_code == 302
    with scoped(scope_of_organisation(cast.house)):
        entry = HistoryEntry.objects.get()
        cast.position.refresh_from_db()
    assert entry.changes == {"has_pan": [None, False], "static_pressure_psi": [None, 74.0]}
    assert cast.position.has_drain is None
    assert client.post(address, sent | {"static_pressure_psi": "999"}).status_code == 400


def test_a_position_cannot_take_the_name_of_another(cast: Cast) -> None:
    with scoped(scope_of_organisation(cast.house)):
        other = make_heater(cast.house, tag="H-9").position
    address = reverse("pages:edit_position", args=[cast.position.pk])
    answer = cast.client(cast.technician).post(address, {"label": other.label})
    assert answer.status_code == 400
    assert "has this name" in answer.content.decode()


@pytest.fixture
def files(settings: LazySettings, tmp_path: Path) -> Path:
    settings.MEDIA_ROOT = tmp_path
    return tmp_path


def photo(**saving: Any) -> bytes:
    out = io.BytesIO()
    Image.new("RGB", (3000, 1000), "#804020").save(out, "JPEG", **saving)
    return out.getvalue()


def send(cast: Cast, name: str, content: bytes) -> Any:
    client = cast.client(cast.technician)
    file = SimpleUploadedFile(name, content)
    return client.post(reverse("pages:attach", args=[cast.heater.pk]), {"file": file}, follow=True)


def kept(cast: Cast) -> list[Attachment]:
    with scoped(scope_of_organisation(cast.house)):
        return list(Attachment.objects.all())


def test_a_photo_is_drawn_anew_without_what_it_hid(cast: Cast, files: Path) -> None:
    exif = Image.Exif()
    exif[0x010E] = "taken at a secret place"
    assert "is kept" in send(cast, "../../plate <1>.jpg", photo(exif=exif)).content.decode()
    [row] = kept(cast)
    assert row.name == "plate _1_.jpg"
    answer = cast.client(cast.owner).get(reverse("pages:attachment", args=[row.pk]))
    content = b"".join(answer.streaming_content)
    assert b"secret" not in content
    assert max(Image.open(io.BytesIO(content)).size) == 2400
    assert answer["Content-Type"] == "image/jpeg"
    assert answer["X-Content-Type-Options"] == "nosniff"
    assert not [path for path in files.rglob("*") if "plate" in path.name]


def test_the_same_file_twice_is_kept_once(cast: Cast, files: Path) -> None:
    send(cast, "plate.jpg", photo())
    send(cast, "plate again.jpg", photo())
    assert len(kept(cast)) == 1


def test_a_paper_is_offered_for_saving_never_shown_in_place(cast: Cast, files: Path) -> None:
    send(cast, "permit.pdf", b"%PDF-1.7 invented")
    [row] = kept(cast)
    answer = cast.client(cast.owner).get(reverse("pages:attachment", args=[row.pk]))
    assert b"".join(answer.streaming_content) == b"%PDF-1.7 invented"
    assert answer["Content-Disposition"].startswith("attachment")


@pytest.mark.parametrize(
    ("name", "content"),
    [
        ("page.jpg", b"<html><script>alert(1)</script>"),
        ("drawing.svg", b'<svg xmlns="http://www.w3.org/2000/svg"/>'),
        ("empty.jpg", b""),
        ("half.jpg", b"\xff\xd8\xff\xe0 not a picture"),
        ("gif.gif", b"GIF89a" + bytes(40)),
    ],
)
def test_what_only_calls_itself_a_picture_is_refused(
    cast: Cast, files: Path, name: str, content: bytes
) -> None:
    page = send(cast, name, content).content.decode()
    assert "Send a photo" in page or "No file was chosen" in page
    assert kept(cast) == []


def test_a_file_of_another_house_does_not_exist(cast: Cast, files: Path) -> None:
    send(cast, "plate.jpg", photo())
    [row] = kept(cast)
    assert cast.client(cast.outsider).get(reverse("pages:attachment", args=[row.pk])).status_code == 404
