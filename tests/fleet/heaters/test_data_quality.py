"""What is missing: counted, ranked, shown, and answered line by line as the record fills up."""

from __future__ import annotations

import json
from datetime import date
from typing import Any

import pytest
from django.core.management import CommandError, call_command

from fleet.estate.background import work_off
from fleet.estate.models import Job, Membership, Organisation, Position
from fleet.estate.scope import scope_of_organisation, scoped
from fleet.heaters.models import Heater, ServiceRecord, WaterTest
from fleet.heaters.quality import Gap, quick_look
from tests.conftest import Cast, make_heater

AS_OF = date(2026, 11, 1)


def gaps(organisation: Organisation) -> dict[str, Gap]:
    return {gap.name: gap for gap in quick_look(organisation, AS_OF).gaps}


def change(heater: Heater, **values: Any) -> None:
    Heater.objects.filter(pk=heater.pk).update(**values)


def serve(cast: Cast, kind: str, day: date, **values: Any) -> None:
    ServiceRecord.objects.create(
        organisation=cast.house,
        heater=cast.heater,
        kind=kind,
        done_earliest=day,
        done_latest=day,
        done_precision="day",
        **values,
    )


def test_a_bare_heater_lacks_everything_but_its_age_and_size(in_house: Cast) -> None:
    assert set(gaps(in_house.house)) == {
        "water_test",
        "setpoint",
        "anode_state",
        "flush_record",
        "static_pressure",
        "expansion_control",
        "homes_served",
    }


def test_a_vague_install_date_counts_as_unknown_age(in_house: Cast) -> None:
    change(in_house.heater, installed_latest=date(2018, 5, 3), installed_precision="between")
    assert gaps(in_house.house)["age"].heaters == 1


def test_a_date_known_to_the_year_is_known_well_enough(in_house: Cast) -> None:
    change(
        in_house.heater,
        installed_earliest=date(2016, 1, 1),
        installed_latest=date(2016, 12, 31),
        installed_precision="year",
    )
    assert "age" not in gaps(in_house.house)


def test_each_answer_takes_its_line_away(in_house: Cast) -> None:
    change(in_house.heater, setpoint_f=125, homes_served=1)
    Position.objects.filter(pk=in_house.position.pk).update(closed_system=False, static_pressure_psi=60)
    serve(in_house, "flush", date(2025, 3, 1))
    serve(in_house, "anode_inspected", date(2025, 3, 1), anode_left_fraction=0.5)
    WaterTest.objects.create(organisation=in_house.house, property=in_house.property, hardness_mg_l=180)
    assert gaps(in_house.house) == {}


def test_an_old_look_at_the_anode_says_nothing_of_today(in_house: Cast) -> None:
    serve(in_house, "anode_inspected", date(2019, 3, 1), anode_left_fraction=0.9)
    assert "anode_state" in gaps(in_house.house)


def test_a_test_of_softened_water_does_not_tell_the_raw_hardness(in_house: Cast) -> None:
    WaterTest.objects.create(
        organisation=in_house.house, property=in_house.property, treatment="softened", hardness_mg_l=20
    )
    assert "water_test" in gaps(in_house.house)


def test_one_water_test_answers_for_all_heaters_of_a_building(in_house: Cast) -> None:
    for number in range(3):
        make_heater(in_house.house, tag=f"more-{number}")
    gap = gaps(in_house.house)["water_test"]
    assert (gap.heaters, gap.answers_needed, gap.answered_by) == (4, 1, "building")


def test_shared_ignorance_ranks_above_the_same_ignorance_spread_out(in_house: Cast) -> None:
    """Sixty heaters on one untested water go wrong together; sixty unknown pressures mostly cancel out."""
    for number in range(59):
        make_heater(in_house.house, tag=f"more-{number}")
    ranked = [gap.name for gap in quick_look(in_house.house, AS_OF).gaps]
    assert ranked[0] == "water_test"


def test_ended_heaters_and_tankless_anodes_are_not_asked_for(in_house: Cast) -> None:
    change(in_house.heater, kind="gas_tankless", capacity_gal=None)
    found = gaps(in_house.house)
    assert "anode_state" not in found
    assert "capacity" not in found
    change(
        in_house.heater,
        ending="removed",
        removed_precision="day",
        removed_earliest=date(2024, 1, 1),
        removed_latest=date(2024, 1, 1),
    )
    quality = quick_look(in_house.house, AS_OF)
    assert quality.gaps == []
    assert any("No cause is on record" in words for words in quality.other)


def test_the_last_of_a_kind_taken_out_on_the_day_stops_nothing(in_house: Cast) -> None:
    make_heater(in_house.house, tag="H-2")
    today = {"installed_earliest": AS_OF, "installed_latest": AS_OF}
    change(in_house.heater, kind="heat_pump", ending="removed", removed_precision="unknown", **today)
    assert gaps(in_house.house)["setpoint"].heaters == 1


def test_another_organisation_counts_for_nothing(in_house: Cast) -> None:
    assert quick_look(in_house.house, AS_OF).heaters_in_service == 1


def test_the_command_prints_and_speaks_json(in_house: Cast, capsys: pytest.CaptureFixture[str]) -> None:
    call_command("data_quality", quick=True, organisation=in_house.house.name)
    assert "no test of the raw water" in capsys.readouterr().out
    call_command("data_quality", quick=True, json=True, as_of="2026-11-01", organisation=in_house.house.name)
    assert json.loads(capsys.readouterr().out)["heaters_in_service"] == 1
    with pytest.raises(CommandError, match="not a day"):
        call_command("data_quality", as_of="yesterday", organisation=in_house.house.name)


def test_the_page_shows_what_is_missing(cast: Cast) -> None:
    answer = cast.client(cast.technician).get("/records/missing/")
    assert "no test of the raw water" in answer.content.decode()
    assert "Compute the money" not in answer.content.decode()


def test_only_a_planner_starts_the_computation(cast: Cast) -> None:
    assert cast.client(cast.technician).post("/records/missing/compute/").status_code == 403
    client = cast.client(cast.planner)
    assert client.get("/records/missing/compute/").status_code == 405
    assert client.post("/records/missing/compute/").status_code == 302
    assert "Done so far" in client.get("/records/missing/").content.decode()


def test_what_cannot_be_computed_is_said_and_not_retried(cast: Cast) -> None:
    with scoped(scope_of_organisation(cast.house)):
        Heater.objects.all().delete()
    client = cast.client(cast.planner)
    client.post("/records/missing/compute/")
    assert work_off() == 1
    assert "No heater is in service" in client.get("/records/missing/").content.decode()


def test_the_computed_page_says_what_each_answer_is_worth(cast: Cast) -> None:
    client = cast.client(cast.planner)
    client.post("/records/missing/compute/")
    assert work_off() == 1
    words = client.get("/records/missing/").content.decode()
    assert "Narrower by" in words
    assert "Compute the money again" in words
    with scoped(scope_of_organisation(cast.house)):
        result = Job.objects.get(kind="data_quality").result
    assert result["spread_now"] > 0
    assert all(0 <= gap["narrows"] <= result["spread_now"] for gap in result["gaps"])
    assert result["gaps"] == sorted(result["gaps"], key=lambda gap: -gap["causes"])


def test_a_person_of_one_property_sees_only_its_gaps(cast: Cast) -> None:
    with scoped(scope_of_organisation(cast.house)):
        for number in range(3):
            make_heater(cast.house, "Elm Court", f"elm-{number}")
        membership = Membership.objects.get(person=cast.planner)
        membership.all_properties = False
        membership.save()
        membership.properties.set([cast.property])
    client = cast.client(cast.planner)
    client.post("/records/missing/compute/")
    work_off()
    words = client.get("/records/missing/").content.decode()
    assert "1 heater in service" in words
    assert "Elm Court" not in words
