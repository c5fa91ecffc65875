"""The crew's pages through the front door."""

from __future__ import annotations

import json
from datetime import UTC, date, datetime
from io import StringIO
from typing import Any

import pytest
from django.core.management import CommandError, call_command
from django.test import Client
from django.urls import reverse

from fleet.care import labels, services
from fleet.care.models import Label, LeakReport, Task, UnsafeFinding
from fleet.estate.background import work_off
from fleet.estate.models import Property
from fleet.estate.scope import scope_of_organisation, scoped, unscoped
from fleet.heaters.models import Heater
from tests.conftest import Cast, make_heater

NOON = datetime(2026, 6, 1, 18, tzinfo=UTC)


@pytest.fixture
def crew(cast: Cast, time_machine: Any) -> Cast:
    time_machine.move_to(NOON, tick=False)
    with scoped(scope_of_organisation(cast.house)):
        installed = date(2024, 1, 10)
        make_heater(cast.house, tag="Y-1", installed_earliest=installed, installed_latest=installed)
        services.roll_forward(cast.house, date(2024, 2, 1))  # care is kept here since then
        services.roll_forward(cast.house)
    with scoped(scope_of_organisation(cast.other_house)):
        services.roll_forward(cast.other_house)
    return cast


def task_of(cast: Cast, kind: str, tag: str = "Y-1") -> Task:
    with scoped(scope_of_organisation(cast.house)):
        return Task.objects.get(heater__tag=tag, kind=kind, state="open")


def test_the_queue_says_what_why_and_how_long(crew: Cast) -> None:
    page = crew.client(crew.technician).get("/work/").content.decode()
    assert "Alder Court, A" in page
    whole = crew.client(crew.technician).get(f"/work/buildings/{crew.building.pk}/").content.decode()
    assert "Flush sediment" in whole
    assert "Never done on record since 10 Jan 2024" in whole
    assert "Birch" not in page
    assert "B-1" not in page


def test_the_queue_can_be_narrowed_and_survives_nonsense(crew: Cast) -> None:
    client = crew.client(crew.technician)
    for query in (
        "?days=14",
        "?days=abc",
        "?days=99999999",
        "?property=x",
        "?page=999",
        f"?property={crew.property.pk}",
    ):
        assert client.get(f"/work/{query}").status_code == 200


def test_cautions_come_before_steps_and_findings(crew: Cast) -> None:
    page = crew.client(crew.technician).get(f"/work/tasks/{task_of(crew, 'flush').pk}/").content.decode()
    order = [
        page.index(words)
        for words in ("Stop and leave it if", "What can hurt you", ">Steps<", "What did you find?")
    ]
    assert order == sorted(order)
    assert "Usual: 2 to 120 gal" in page


def test_an_odd_value_is_asked_again_with_the_usual_range_and_the_rest_is_kept(crew: Cast) -> None:
    client = crew.client(crew.technician)
    task = task_of(crew, "flush")
    answers = {
        "drained_gal": "400",
        "colour": "rust",
        "drain_valve": "drips",
        "tank_body": "dry",
        "note": "hello",
    }
    reply = client.post(f"/work/tasks/{task.pk}/", answers)
    page = reply.content.decode()
    assert reply.status_code == 422
    assert "Usual is 2 to 120 gal" in page
    assert 'value="400"' in page
    assert 'value="rust" checked' in page
    assert "hello" in page
    reply = client.post(f"/work/tasks/{task.pk}/", answers | {"sure": "1"}, follow=True)
    assert "done and kept" in reply.content.decode()
    assert task_of(crew, "flush").due_on == date(2027, 6, 1)
    again = client.post(f"/work/tasks/{task.pk}/", answers | {"sure": "1"})
    assert again.status_code == 409
    assert "already closed" in again.content.decode()


def test_unsafe_shows_what_to_shut_off_and_only_an_entitled_person_closes_it(crew: Cast) -> None:
    client = crew.client(crew.technician)
    task = task_of(crew, "relief_valve_test")
    answers = {"flowed": "not at all", "reseated": "dry", "present": "fitted and open"}
    page = client.post(f"/work/tasks/{task.pk}/", answers, follow=True).content.decode()
    assert "out of service" in page
    assert page.index("Gas: turn the cock") < page.index("Water: close the valve")
    with unscoped("reading the alert"):
        alert = UnsafeFinding.objects.get()
    words = {"follow_up": "New valve fitted", "follow_up_by": "A. Plumber"}
    assert client.post(f"/work/unsafe/{alert.pk}/close/", words).status_code == 403
    planner = crew.client(crew.planner)
    refused = planner.post(f"/work/unsafe/{alert.pk}/close/", {"follow_up": "x"}, follow=True)
    assert "Name who did it" in refused.content.decode()
    closed = planner.post(f"/work/unsafe/{alert.pk}/close/", words, follow=True).content.decode()
    assert "No unsafe finding is open" in closed
    assert "A. Plumber" in closed


def test_a_stopped_task_shows_no_steps_and_lists_mark_the_heater_out_of_service(crew: Cast) -> None:
    client = crew.client(crew.technician)
    with scoped(scope_of_organisation(crew.house)):
        first = Task.objects.filter(state="open").order_by("due_on", "heater_id", "kind")[0]
        stopped = Task.objects.filter(state="open", heater=first.heater).exclude(pk=first.pk)[0]
    client.post(f"/work/buildings/{first.building_id}/today/")
    client.post(f"/work/tasks/{stopped.pk}/unsafe/", {"what": "Water from the body of the tank"})
    page = client.get(f"/work/tasks/{stopped.pk}/").content.decode()
    assert "Stopped by an unsafe finding" in page
    assert stopped.task_kind.steps[-1] not in page
    assert first.task_kind.steps[-1] in client.get(f"/work/tasks/{first.pk}/").content.decode()
    for address in ("/work/", f"/work/buildings/{first.building_id}/", "/work/visits/"):
        assert "heater out of service, unsafe" in client.get(address).content.decode(), address


def test_something_unsafe_beyond_the_fields(crew: Cast) -> None:
    client = crew.client(crew.technician)
    task = task_of(crew, "flush")
    client.post(f"/work/tasks/{task.pk}/unsafe/", {"what": "Smell of gas"})
    assert "Smell of gas" in client.get("/work/unsafe/").content.decode()


def test_left_out_and_moved_with_a_reason(crew: Cast) -> None:
    client = crew.client(crew.technician)
    task = task_of(crew, "flush")
    bad = client.post(f"/work/tasks/{task.pk}/move/", {"due_on": "soon", "reason": "x"}, follow=True)
    assert "Right would be" in bad.content.decode()
    client.post(f"/work/tasks/{task.pk}/move/", {"due_on": "2026-08-01", "reason": "roof works"})
    assert task_of(crew, "flush").due_on == date(2026, 8, 1)
    client.post(f"/work/tasks/{task.pk}/leave-out/", {"reason": ""})
    assert task_of(crew, "flush") == task
    client.post(f"/work/tasks/{task.pk}/leave-out/", {"reason": "no way in"})
    assert task_of(crew, "flush") != task


def test_what_is_held_back_is_shown_with_its_reason(crew: Cast) -> None:
    page = crew.client(crew.technician).get(f"/work/heaters/{crew.heater.pk}/").content.decode()
    assert "Held back on purpose" in page
    assert "Sediment may be plugging pinholes" in page
    assert "Consider planned replacement" in page


def test_another_organisation_s_rows_do_not_exist(crew: Cast) -> None:
    client = crew.client(crew.outsider)
    task = task_of(crew, "flush")
    for address in (
        f"/work/tasks/{task.pk}/",
        f"/work/heaters/{crew.heater.pk}/",
        f"/work/buildings/{crew.building.pk}/",
        f"/work/buildings/{crew.building.pk}/labels/",
        f"/work/heaters/{crew.heater.pk}/card/",
    ):
        assert client.get(address).status_code == 404, address
    assert client.post(f"/work/tasks/{task.pk}/", {}).status_code == 404
    assert client.post(f"/work/tasks/{task.pk}/leave-out/", {"reason": "x"}).status_code == 404


def test_labels_and_the_public_card(crew: Cast) -> None:
    client = crew.client(crew.technician)
    Property._base_manager.filter(pk=crew.property.pk).update(emergency_contact="Duty phone 555 0100")
    sheet = client.get(f"/work/buildings/{crew.building.pk}/labels/").content.decode()
    again = client.get(f"/work/buildings/{crew.building.pk}/labels/").content.decode()
    with unscoped("reading the label"):
        code = Label.objects.get(heater__tag="Y-1").code
    assert code in sheet
    assert code in again
    assert "data:image/svg+xml" in sheet
    assert code in client.get(f"/work/heaters/{task_of(crew, 'flush').heater_id}/card/").content.decode()
    assert client.get(f"/c/{code}/").url.endswith(f"/work/heaters/{task_of(crew, 'flush').heater_id}/")
    stranger = Client()
    page = stranger.get(f"/c/{code.lower()}/").content.decode()
    assert "Duty phone 555 0100" in page
    for private in ("Y-1", "Alder", "technician", "place of"):
        assert private not in page, private
    assert stranger.get("/c/22222-22222/").status_code == 404
    outsider = crew.client(crew.outsider).get(f"/c/{code}/")
    assert outsider.status_code == 200


def test_leak_reports_are_limited_and_answered(crew: Cast) -> None:
    with scoped(scope_of_organisation(crew.house)):
        code = labels.label_heaters([Heater.objects.get(tag="Y-1")]).popitem()[1].code
    stranger = Client()
    for _ in range(5):
        reply = stranger.post(f"/c/{code}/", {"words": "Water <b>everywhere</b>"})
        assert "Thank you" in reply.content.decode()
    with unscoped("reading the reports"):
        assert LeakReport.objects.count() == labels.REPORTS_AN_HOUR
        report = LeakReport.objects.first()
    client = crew.client(crew.technician)
    page = client.get("/work/unsafe/").content.decode()
    assert "Water &lt;b&gt;everywhere" in page
    client.post(f"/work/leaks/{report.pk}/answer/", {"answer": ""})
    client.post(f"/work/leaks/{report.pk}/answer/", {"answer": "Shut off, plumber called"})
    with unscoped("reading the reports"):
        assert LeakReport.objects.filter(answered_at=None).count() == labels.REPORTS_AN_HOUR - 1


def told(**options: Any) -> str:
    out = StringIO()
    call_command("queue", organisation="Alder Homes (invented)", stdout=out, **options)
    return out.getvalue()


def test_the_command_prints_the_queue(crew: Cast) -> None:
    text = told(as_of="2026-06-01")
    assert "Alder Court, A:" in text
    assert "Flush sediment. Never done on record" in text
    data = json.loads(told(as_of="2026-06-01", json=True, days=30))
    kinds = {row["kind"] for row in data["buildings"][0]["tasks"]}
    assert {"flush", "replacement_review"} <= kinds
    assert all(row["why"] for row in data["buildings"][0]["tasks"])


@pytest.mark.parametrize(
    ("options", "says"),
    [
        ({"as_of": "June"}, "Right would be"),
        ({"days": -1}, "0 to 3650"),
        ({"property": "Nowhere"}, "Known: Alder Court"),
    ],
)
def test_the_command_refuses_nonsense(crew: Cast, options: dict[str, Any], says: str) -> None:
    with pytest.raises(CommandError, match=says):
        told(**options)


def test_a_property_sets_its_own_interval_with_a_source(crew: Cast) -> None:
    address = f"/work/properties/{crew.property.pk}/rules/"
    assert crew.client(crew.technician).get(address).status_code == 403
    assert crew.client(crew.outsider).get(address).status_code == 404
    planner = crew.client(crew.planner)
    assert "No public standard agrees" in planner.get(address).content.decode()
    for bad, says in (
        ({"kind": "flush", "interval_months": "6"}, "Say where this comes from"),
        ({"kind": "flush", "interval_months": "x", "source": "s"}, "Right would be 12"),
        ({"kind": "flush", "interval_months": "900", "source": "s"}, "1 to 240"),
        ({"kind": "polish", "source": "s"}, "not a task kind"),
    ):
        assert says in planner.post(address, bad, follow=True).content.decode()
    good = {"kind": "flush", "interval_months": "6", "source": "house rule 7"}
    page = planner.post(address, good, follow=True).content.decode()
    assert "every 6 months" in page
    assert "house rule 7" in page
    work_off()
    assert task_of(crew, "flush").due_on == date(2024, 7, 10)


def test_while_the_queue_is_laid_out_the_page_says_so_and_looks_again(cast: Cast) -> None:
    client = cast.client(cast.technician)
    page = client.get(reverse("care:visits")).content.decode()
    assert "No visit is laid out yet." in page and "under-way" not in page
    client.post(reverse("care:lay_out"))
    page = client.get(reverse("care:visits")).content.decode()
    assert "The queue is being laid out" in page and 'id="under-way"' in page
    assert "No visit is laid out yet." not in page
    work_off()
    assert "being laid out." not in client.get(reverse("care:visits")).content.decode()


def test_dangers_and_shutting_off_come_before_everything_else(crew: Cast) -> None:
    client, task = crew.client(crew.technician), task_of(crew, "flush")
    page = client.get(f"/work/heaters/{task.heater_id}/").content.decode()
    assert page.index("How to shut it off") < page.index("Open tasks")
    client.post(f"/work/tasks/{task.pk}/unsafe/", {"what": "Smell of gas"})
    for address in (f"/work/heaters/{task.heater_id}/", f"/work/tasks/{task.pk}/"):
        page = client.get(address).content.decode()
        unsafe = page.split('id="unsafe"')[1].split("</section>")[0]
        assert (
            unsafe.index("touch no switch, go out")
            < unsafe.index("Only if it is safe")
            < unsafe.index("<ol>")
        )
    assert page.index('id="unsafe"') < page.index("About ")
    words = client.get("/work/unsafe/").content.decode()
    assert words.index("leave, keep others out") < words.index("Smell of gas")
