"""Tables change without a pause: old code runs against new tables while processes are exchanged, so in one release
nothing that the last release uses goes away, changes its name, or becomes something that it does not write."""

from __future__ import annotations

import json
import zipfile
from collections.abc import Iterator

import pytest
from django.db import migrations, models
from django.db.migrations.loader import MigrationLoader
from django.db.migrations.operations.base import Operation
from django.db.models import NOT_PROVIDED

from tests.fleet.operating.houses import releases

GOES_AWAY = (migrations.RemoveField, migrations.DeleteModel, migrations.RenameField, migrations.RenameModel)


def stops_old_code(operation: Operation) -> str:
    """Why processes of the last release would stumble over this step; empty where they would not."""
    if isinstance(operation, GOES_AWAY):
        return "what the last release uses goes away: stop using it in this release, remove it in the next"
    if isinstance(operation, migrations.AlterModelTable):
        return "the table changes its name"
    if isinstance(operation, migrations.AddField) and not _old_code_may_leave_out(operation.field):
        return "old code does not write it: let it be null, or give it a db_default"
    if isinstance(operation, migrations.SeparateDatabaseAndState):
        return next(filter(None, map(stops_old_code, operation.database_operations)), "")
    return ""


def _old_code_may_leave_out(field: models.Field[object, object]) -> bool:
    return field.null or field.many_to_many or field.db_default is not NOT_PROVIDED


def since_the_last_release() -> Iterator[migrations.Migration]:
    loader = MigrationLoader(None)
    manifest = json.loads(zipfile.ZipFile(releases()[-1]).read("manifest.json"))
    released = {tuple(key) for key in manifest["migrations"]}
    assert released <= set(loader.disk_migrations), "a released migration has vanished or changed its name"
    for key, migration in sorted(loader.disk_migrations.items()):
        if key not in released:
            yield migration


def test_no_migration_since_the_last_release_stops_old_code() -> None:
    wrong = [
        f"{migration.app_label} {migration.name}, {operation.describe()}: {why}"
        for migration in since_the_last_release()
        for operation in migration.operations
        if (why := stops_old_code(operation))
    ]
    assert wrong == []


@pytest.mark.parametrize(
    "operation",
    [
        migrations.RemoveField("heater", "notes"),
        migrations.RenameField("heater", "notes", "remarks"),
        migrations.DeleteModel("Heater"),
        migrations.RenameModel("Heater", "Unit"),
        migrations.AlterModelTable("heater", "units"),
        migrations.AddField("heater", "colour", models.CharField(max_length=9, default="")),
        migrations.SeparateDatabaseAndState([migrations.RemoveField("heater", "notes")], []),
    ],
    ids=lambda one: one.describe(),
)
def test_what_would_stop_old_code_is_seen(operation: Operation) -> None:
    assert stops_old_code(operation)


@pytest.mark.parametrize(
    "operation",
    [
        migrations.AddField("heater", "colour", models.CharField(max_length=9, null=True)),
        migrations.AddField("heater", "colour", models.CharField(max_length=9, db_default="")),
        migrations.CreateModel("Colour", [("id", models.BigAutoField(primary_key=True))]),
        migrations.SeparateDatabaseAndState([], [migrations.RemoveField("heater", "notes")]),
    ],
    ids=lambda one: one.describe(),
)
def test_what_old_code_does_not_mind_passes(operation: Operation) -> None:
    assert not stops_old_code(operation)
