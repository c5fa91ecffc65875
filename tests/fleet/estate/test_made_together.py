"""Models made together in a migration: the same tables and the same state as one by one, drawn up once."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import pytest
from django.db import connection, migrations, models
from django.db.migrations.operations.base import Operation
from django.db.migrations.state import ModelState, ProjectState

from fleet.estate.made_together import made_together

HOUSE = migrations.CreateModel("House", [("id", models.BigAutoField(primary_key=True))])


def steps() -> list[Operation]:
    """A valve of a tank, a gauge of a house; the tank is given its gauge afterwards."""

    def new(name: str, **fields: models.Field[Any, Any]) -> Operation:
        return migrations.CreateModel(name, [("id", models.BigAutoField(primary_key=True)), *fields.items()])

    def of(name: str, **more: Any) -> models.Field[Any, Any]:
        return models.ForeignKey(f"estate.{name}", models.CASCADE, **more)

    return [
        new("Tank", tag=models.CharField(max_length=9, db_index=True)),
        new("Valve", tank=of("Tank"), houses=models.ManyToManyField("estate.House")),
        new("Gauge", house=of("House", related_name="gauges")),
        migrations.AddField("tank", "gauge", of("Gauge", null=True)),
        new("Label", tank=of("Tank")),
    ]


def forwards(operations: Sequence[Operation]) -> tuple[list[str], ProjectState, list[ProjectState]]:
    """The statements, the state at the end and the states on the way, beside a house whose model is drawn already."""
    state = ProjectState()
    HOUSE.state_forwards("estate", state)
    assert state.apps.get_model("estate", "House")
    before = []
    with connection.schema_editor(collect_sql=True, atomic=False) as editor:
        for one in operations:
            before.append(state.clone())
            one.state_forwards("estate", state)
            one.database_forwards("estate", editor, before[-1], state)
    return editor.collected_sql, state, before


@pytest.mark.django_db(transaction=True)
def test_tables_and_state_are_those_of_one_by_one() -> None:
    (alone, state_alone, _), (together, state, before) = forwards(steps()), forwards(made_together(steps()))
    assert len(before) == 3, "three models, a field, a model"
    assert sorted(together) == sorted(alone)
    assert state == state_alone
    related = {
        one.related_model.__name__ for one in state.apps.get_model("estate", "Tank")._meta.related_objects
    }
    assert related == {"Valve", "Label"}
    house = state.apps.get_model("estate", "House")
    assert {one.related_model.__name__ for one in house._meta.related_objects} >= {"Valve", "Gauge"}


@pytest.mark.django_db(transaction=True)
def test_they_go_away_again() -> None:
    first, *_ = made_together(steps())
    _, _, (nothing, made, _) = forwards(made_together(steps()))
    with connection.schema_editor(collect_sql=True, atomic=False) as editor:
        first.database_backwards("estate", editor, made, nothing)
    gone = [line for line in editor.collected_sql if line.startswith("DROP TABLE")]
    assert [name for line in gone for name in ("gauge", "valve", "tank") if f"estate_{name}\"" in line] == [
        "gauge", "valve", "tank",
    ]  # fmt: skip


def test_models_are_drawn_once(monkeypatch: pytest.MonkeyPatch) -> None:
    drawn, render = [], ModelState.render

    def noted(state: ModelState, apps: Any) -> Any:
        drawn.append(state.name)
        return render(state, apps)

    state = ProjectState()
    HOUSE.state_forwards("estate", state)
    assert state.apps
    monkeypatch.setattr(ModelState, "render", noted)
    first, *_ = made_together(steps())
    first.state_forwards("estate", state)
    assert state.apps.get_model("estate", "Gauge")
    assert sorted(drawn) == ["Gauge", "House", "Tank", "Valve"]
