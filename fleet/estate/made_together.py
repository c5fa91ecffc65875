"""Tables made one after another in a migration, their models drawn up once.

After each new model Django draws up anew all that it is related to, and here every model leads to every other: that
was half of what making an empty record took. Tables and state come out as they would one by one.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import groupby
from typing import Any

from django.db.migrations.operations import CreateModel
from django.db.migrations.operations.base import Operation
from django.db.migrations.state import ProjectState


def made_together(operations: Sequence[Operation]) -> list[Operation]:
    """The operations of a migration, each stretch of new models as one."""
    found: list[Operation] = []
    for new_models, some in groupby(operations, lambda one: type(one) is CreateModel):
        stretch = list(some)
        found += [CreateModels(stretch)] if new_models and len(stretch) > 1 else stretch
    return found


class CreateModels(Operation):
    """Several models of which none is altered before all are there."""

    def __init__(self, models: Sequence[Operation]) -> None:
        self.models = models

    def state_forwards(self, app_label: str, state: ProjectState) -> None:
        # Without the drawn models nothing is drawn anew; whoever asks for them next has all drawn.
        state.__dict__.pop("apps", None)
        for one in self.models:
            one.state_forwards(app_label, state)

    def database_forwards(self, app_label: str, schema_editor: Any, from_state: Any, to_state: Any) -> None:
        for one in self.models:
            one.database_forwards(app_label, schema_editor, from_state, to_state)

    def database_backwards(self, app_label: str, schema_editor: Any, from_state: Any, to_state: Any) -> None:
        for one in reversed(self.models):
            one.database_backwards(app_label, schema_editor, from_state, to_state)

    def describe(self) -> str:
        return "; ".join(one.describe() for one in self.models)
