"""A step of a migration that takes away the index a foreign key got by itself, where another index begins with its column."""

from __future__ import annotations

from typing import Any

from django.db import migrations, models


class SpareIndex(migrations.AlterField):
    """An AlterField to `db_index=False` that drops the index and nothing else: on SQLite the plain one writes the whole
    table anew, and its triggers are lost."""

    def database_forwards(self, app_label: str, schema_editor: Any, from_state: Any, to_state: Any) -> None:
        model = from_state.apps.get_model(app_label, self.model_name)
        if self.allow_migrate_model(schema_editor.connection.alias, model):
            column = model._meta.get_field(self.name).column
            kind = models.Index.suffix
            for name in schema_editor._constraint_names(
                model, [column], index=True, unique=False, type_=kind
            ):
                schema_editor.execute(schema_editor._delete_index_sql(model, name))

    def database_backwards(self, app_label: str, schema_editor: Any, from_state: Any, to_state: Any) -> None:
        model = to_state.apps.get_model(app_label, self.model_name)
        if self.allow_migrate_model(schema_editor.connection.alias, model):
            field = model._meta.get_field(self.name)
            schema_editor.execute(schema_editor._create_index_sql(model, fields=[field]))
