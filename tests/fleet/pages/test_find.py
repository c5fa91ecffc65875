"""Find anything: by tag, serial number, label, place, finding and person; never beyond what the asker may see."""

from __future__ import annotations

import re
from datetime import UTC, datetime

import pytest
from django.urls import reverse

from fleet.care.models import Finding, Label, Task
from tests.conftest import Cast, make_heater


def found(cast: Cast, words: str, who: str = "owner") -> str:
    answer = cast.client(getattr(cast, who)).get(reverse("pages:find"), {"words": words, "stay": "1"})
    assert answer.status_code == 200
    return answer.content.decode()


def section(page: str, title: str) -> str:
    return (
        page.split(f"<h2>{title}</h2>", 1)[1].split("</section>", 1)[0] if f"<h2>{title}</h2>" in page else ""
    )


@pytest.mark.parametrize("words", ["H-1", "h-1", "SN 77", "alder place", "QX7K2M"])
def test_a_heater_is_found_by_tag_number_place_and_label(in_house: Cast, words: str) -> None:
    in_house.heater.serial_number = "SN 77-01"
    in_house.heater.save()
    Label.objects.create(organisation=in_house.house, heater=in_house.heater, code="QX7K2M")
    assert reverse("pages:heater", args=[in_house.heater.pk]) in section(found(in_house, words), "Heaters")


@pytest.mark.parametrize("words", ["H-1", "h-1", "sn 77-01", "qx7k2m"])
def test_who_writes_a_whole_tag_number_or_label_stands_at_the_heater(in_house: Cast, words: str) -> None:
    in_house.heater.serial_number = "SN 77-01"
    in_house.heater.save()
    Label.objects.create(organisation=in_house.house, heater=in_house.heater, code="QX7K2M")
    client = in_house.client(in_house.owner)
    there = reverse("pages:heater", args=[in_house.heater.pk])
    assert client.get(reverse("pages:find"), {"words": words}).headers["location"] == there
    make_heater(in_house.house, tag="H-2", serial_number=words)  # now two are called so
    assert client.get(reverse("pages:find"), {"words": words}).status_code == 200


def test_places_are_found(in_house: Cast) -> None:
    places = section(found(in_house, "Alder"), "Places")
    for name, row in (
        ("property", in_house.property),
        ("building", in_house.building),
        ("position", in_house.position),
    ):
        assert reverse(f"pages:{name}", args=[row.pk]) in places, name


def test_a_finding_is_found_by_its_words(in_house: Cast) -> None:
    task = Task.objects.create(
        organisation=in_house.house,
        heater=in_house.heater,
        kind="flush",
        due_on=datetime(2026, 1, 1).date(),
        rule="x",
    )
    Finding.objects.create(
        organisation=in_house.house,
        heater=in_house.heater,
        task=task,
        name="colour",
        words="rusty brown",
        seen_at=datetime(2026, 1, 1, tzinfo=UTC),
    )
    assert "rusty brown" in section(found(in_house, "rusty"), "Findings")


def test_an_exact_tag_opens_its_heater(in_house: Cast) -> None:
    answer = in_house.client(in_house.owner).get(reverse("pages:find"), {"words": "H-1"})
    assert answer.status_code == 302
    assert answer["Location"] == reverse("pages:heater", args=[in_house.heater.pk])


@pytest.mark.parametrize(
    "begin", [3, 12]
)  # fewer than are shown, and more: then the others are not looked for
def test_what_is_called_so_comes_first_then_what_begins_so(in_house: Cast, begin: int) -> None:
    for number in reversed(range(begin)):
        make_heater(in_house.house, tag=f"kl{number:02}")
    make_heater(in_house.house, tag="AKL")
    make_heater(in_house.house, tag="ZZ", serial_number="KL")
    make_heater(in_house.house, tag="KL99", ending="removed", removed_precision="unknown")
    listed = section(found(in_house, "kl"), "Heaters")
    tags = re.findall(r">(\w+)(?:, serial number KL)?</a>", listed)
    begins = [f"kl{number:02}" for number in range(begin)]
    assert tags[:8] == ["ZZ", *begins, "KL99", "AKL"][:8]
    assert ("All of them" in listed) == (begin > 3)


@pytest.mark.parametrize("words", ["B-1", "Birch"])
def test_nothing_of_another_house_is_found(cast: Cast, words: str) -> None:
    assert "Nothing you may see" in found(cast, words)


def test_people_are_found_by_those_who_plan_and_only_in_their_house(cast: Cast) -> None:
    assert "Technician" in section(found(cast, "technician"), "People")
    assert section(found(cast, "technician", who="technician"), "People") == ""
    assert section(found(cast, "outsider"), "People") == ""


def test_no_words_teach_what_can_be_found(cast: Cast) -> None:
    assert "serial number" in found(cast, "   ")
