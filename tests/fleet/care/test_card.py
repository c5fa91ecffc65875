"""The public card and the notice in the property's languages; leak reports with a photo, bounded."""

from __future__ import annotations

import io
import string
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.test import Client
from PIL import Image

from fleet.care import crews, labels, services, visits
from fleet.care.card_words import BadWords, all_words, languages, read_words
from fleet.care.models import LeakReport
from fleet.care.reading import CareRefused
from fleet.care.shut_off import shut_off_steps
from fleet.estate.models import Property
from tests.conftest import Cast, make_heater

NOON = datetime(2026, 6, 1, 18, tzinfo=UTC)


@pytest.fixture
def code(in_house: Cast, time_machine: Any, settings: Any, tmp_path: Any) -> str:
    settings.MEDIA_ROOT = tmp_path
    time_machine.move_to(NOON, tick=False)
    return labels.label_heaters([in_house.heater])[in_house.heater.pk].code


def photo() -> SimpleUploadedFile:
    out = io.BytesIO()
    Image.new("RGB", (64, 48)).save(out, "PNG")
    return SimpleUploadedFile("x.png", out.getvalue())


@pytest.mark.parametrize("language", sorted(all_words()))
def test_every_language_says_everything(language: str) -> None:
    own, words = all_words()["en"], all_words()[language]
    for name, sentence in own.items():
        wanted = {field for _, field, _, _ in string.Formatter().parse(sentence) if field}
        given = {field for _, field, _, _ in string.Formatter().parse(words[name]) if field}
        assert wanted == given, name
        if language != "en":
            assert words[name] != sentence or name in {"questions", "photo", "one_minute", "minutes"}, name


def test_a_language_with_a_sentence_missing_is_refused(tmp_path: Path) -> None:
    place = tmp_path / "words.toml"
    place.write_text(
        '[en]\nname = "English"\nleave = "Leave it."\n[es]\nname = "Español"\n', encoding="utf-8"
    )
    with pytest.raises(BadWords, match="Language es: leave"):
        read_words(place)


def test_heat_before_water_in_every_language_and_kind(in_house: Cast) -> None:
    for number, kind in enumerate(
        ("gas_storage_atmospheric", "electric_storage", "indirect_tank", "gas_tankless")
    ):
        heater = make_heater(in_house.house, tag=f"K-{number}", kind=kind)
        for words in all_words().values():
            steps = shut_off_steps(heater, words).steps
            heat = {words["heat_gas"], words["heat_power"], words["heat_indirect"]}
            assert steps[0] in heat and steps[1] in {words["water_valve"], words["water_main"]}
            assert (words["hot_tank"] in steps[2]) == (kind != "gas_tankless")
            assert (words["gas_smell"] in shut_off_steps(heater, words).dangers) == kind.startswith("gas")


def test_without_a_valve_of_its_own_the_main_one_is_named(in_house: Cast) -> None:
    """A valve that is not there is not looked for while water runs out; not known counts as there."""
    place = in_house.heater.position
    for words in all_words().values():
        for has, water, stays in (
            (False, "water_main", "stays_main"),
            (True, "water_valve", "stays"),
            (None, "water_valve", "stays"),
        ):
            place.has_shutoff_valve = has
            found = shut_off_steps(in_house.heater, words)
            assert (found.steps[1], found.stays) == (words[water], words[stays])


def test_the_card_speaks_the_property_s_languages(in_house: Cast, code: str) -> None:
    page = Client().get(f"/c/{code}/").content.decode()
    assert "Peligro" not in page
    crews.set_site_care(in_house.property, True, ["es", "fr"])
    page = Client().get(f"/c/{code}/").content.decode()
    assert 'lang="es"' in page and "Olor a gas" in page and "Odeur de gaz" in page
    assert page.index("Smell of gas") < page.index("Olor a gas")
    assert "not checked by a sworn translator" in page
    with pytest.raises(CareRefused, match="xx is not a language"):
        crews.set_site_care(in_house.property, True, ["xx"])
    assert {"es"} <= set(languages())


def test_a_leak_report_with_a_photo(in_house: Cast, code: str) -> None:
    said = Client().post(f"/c/{code}/", {"words": "wet floor", "photo": photo()}).content.decode()
    assert "Thank you" in said
    report = LeakReport.objects.get()
    assert report.photo is not None and report.photo.content_type == "image/jpeg"
    page = in_house.client(in_house.technician).get("/work/unsafe/").content.decode()
    assert f"/work/pictures/{report.photo_id}/" in page
    assert Client().get(f"/work/pictures/{report.photo_id}/").status_code == 302


def test_a_bad_photo_does_not_lose_the_report(in_house: Cast, code: str) -> None:
    bad = SimpleUploadedFile("x.jpg", b"<script>")
    said = Client().post(f"/c/{code}/", {"words": "wet floor", "photo": bad}).content.decode()
    assert "Thank you" in said and "verything else is kept" in said
    assert LeakReport.objects.get().photo is None


def test_a_whole_property_can_be_flooded_only_so_far(in_house: Cast, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(labels, "REPORTS_A_PROPERTY_HOUR", 4)
    heaters = [make_heater(in_house.house, tag=f"L-{number}") for number in range(6)]
    kept = [labels.report_leak(heater, "", NOON) for heater in heaters]
    assert [report is not None for report in kept] == [True] * 4 + [False] * 2


def test_the_notice_is_ready_to_be_mailed(in_house: Cast, code: str) -> None:
    Property.objects.filter(pk=in_house.property.pk).update(emergency_contact="Duty phone 555 0100")
    crews.set_site_care(in_house.property, True, ["es"])
    services.roll_forward(in_house.house, date(2025, 5, 1))
    visit = visits.visit_on(in_house.building, date(2026, 6, 1), horizon_days=400)
    client = in_house.client(in_house.technician)
    page = client.get(f"/work/visits/{visit.pk}/notice/").content.decode()
    assert "mailto:?subject=" in page and "Aviso: trabajos" in page
    reply = client.get(f"/work/visits/{visit.pk}/notice/?as=text")
    text = reply.content.decode()
    assert reply["Content-Type"].startswith("text/plain")
    assert "Monday, 1 June 2026" in text and "lunes, 1 de junio de 2026" in text and "2026-06-01" not in text
    assert "Duty phone 555 0100" in text and "no habrá agua caliente" in text


def test_each_language_and_the_report_are_one_tap_away(in_house: Cast, code: str, client: Client) -> None:
    crews.set_site_care(in_house.property, True, ["es", "fr"])
    page = client.get(f"/c/{code}/").content.decode()
    for anchor in ("en", "es", "fr", "report"):
        assert page.index(f'href="#{anchor}"') < page.index('id="en"')
        assert page.count(f' id="{anchor}"') == 1
