"""What runs without anybody at a page: every job, sweep, task and command says for whom it acts, like every address."""

from __future__ import annotations

import importlib
import pkgutil
from typing import Any

import pytest
from django.apps import apps
from django.core.management import get_commands, load_command_class

from fleet.celery import app
from fleet.estate import background, rounds
from fleet.estate.access import Need
from fleet.estate.acting import Acting, may_still_ask
from fleet.estate.background import enqueue, register, work_off
from fleet.estate.models import Job, Membership, Organisation
from fleet.estate.scope import Reach, Scope, scoped, unscoped
from tests.conftest import Cast

OURS = ("fleet.", "api")
ASKED = (Need.READ, Need.WORK, Need.PLAN, Need.ADMIN)


def own_commands() -> dict[str, Any]:
    return {
        name: load_command_class(place, name)
        for name, place in get_commands().items()
        if place.startswith(OURS)
    }


def test_every_kind_of_job_says_for_whom() -> None:
    for config in apps.get_app_configs():
        if config.name.startswith(OURS):
            for module in pkgutil.iter_modules(
                config.path if isinstance(config.path, list) else [config.path]
            ):
                if module.name.endswith("jobs"):
                    importlib.import_module(f"{config.name}.{module.name}")
    kinds = background.known_work()
    assert len(kinds) >= 20
    silent = [kind for kind, work in kinds.items() if work.for_whom not in (*ASKED, Acting.ORGANISATION)]
    assert silent == [], (
        "Say for_whom=Need.… (who may ask for it) or Acting.ORGANISATION where it is registered."
    )


def test_every_kind_of_job_says_what_it_does_in_a_sentence() -> None:
    kinds = {kind: work for kind, work in background.known_work().items() if not kind.startswith("test_")}
    own = {kind: work for kind, work in kinds.items() if work.run.__module__.startswith(OURS)}
    assert len(own) >= 20
    assert [kind for kind, work in own.items() if not work.name or not work.does.endswith(".")] == []
    assert len({work.name for work in own.values()}) == len(own)


def test_a_kind_that_does_not_say_is_not_taken() -> None:
    with pytest.raises(TypeError):
        register("test_silent")  # type: ignore[call-arg]
    for wrong in (Acting.PROGRAM, Acting.OPERATOR, None):
        with pytest.raises(ValueError, match="acts for its organisation"):
            register("test_wrong", for_whom=wrong)  # type: ignore[arg-type]
    with pytest.raises(ValueError, match="by itself"):
        register("test_wrong", for_whom=Need.PLAN, every="day")


@pytest.mark.django_db
@pytest.mark.parametrize("name", sorted(rounds.sweep_names()))
def test_every_sweep_enters_its_own_scope(name: str) -> None:
    """Called from nowhere it finds no scope; one that leans on a caller's would raise."""
    rounds._sweeps[name].step()


def test_every_task_of_the_queue_acts_for_the_program() -> None:
    importlib.import_module("fleet.estate.jobs")
    tasks = {name: task for name, task in app.tasks.items() if not name.startswith("celery.")}
    assert len(tasks) == 3
    assert [
        name for name, task in tasks.items() if getattr(task, "for_whom", None) is not Acting.PROGRAM
    ] == []
    assert {entry["task"] for entry in app.conf.beat_schedule.values()} <= set(tasks)


def test_every_command_says_for_whom() -> None:
    commands = own_commands()
    assert len(commands) >= 18
    wrong = []
    for name, command in commands.items():
        parser = command.create_parser("manage.py", name)
        chooses = any("--organisation" in action.option_strings for action in parser._actions)
        wanted = Acting.ORGANISATION if chooses else Acting.OPERATOR
        if getattr(command, "for_whom", None) is not wanted:
            wrong.append(f"{name}: write `for_whom = {wanted}` in its Command.")
    assert wrong == []


RIGHTS = [
    ("owner", Need.ADMIN, True),
    ("planner", Need.ADMIN, False),
    ("planner", Need.PLAN, True),
    ("technician", Need.PLAN, False),
    ("technician", Need.WORK, True),
    ("outsider", Need.READ, False),
    ("outsider", Acting.ORGANISATION, True),
]


@pytest.mark.parametrize(("who", "for_whom", "may"), RIGHTS)
def test_the_right_is_that_of_now(cast: Cast, who: str, for_whom: Any, may: bool) -> None:
    person = getattr(cast, who)
    assert may_still_ask(person, cast.house.pk, for_whom) is may
    person.is_active = False
    person.save()
    if isinstance(for_whom, Need):
        assert not may_still_ask(person, cast.house.pk, for_whom)


def test_who_lacks_the_factor_sets_nothing_off(cast: Cast) -> None:
    Organisation.objects.update(second_factor_required=True)
    assert not may_still_ask(cast.owner, cast.house.pk, Need.READ)


@pytest.mark.parametrize("change", ["removed", "viewer", "stays"])
def test_a_job_of_somebody_who_lost_the_right_is_called_off(cast: Cast, change: str) -> None:
    ran: list[int] = []
    register("test_asked", for_whom=Need.PLAN)(lambda job: ran.append(job.row.pk))
    try:
        with scoped(Scope((Reach(cast.house.pk),), person_id=cast.planner.pk, actor="Planner")):
            job = enqueue("test_asked", {}, cast.house.pk)
        row = Membership.objects.filter(person=cast.planner)
        if change == "removed":
            row.delete()
        elif change == "viewer":
            row.update(role="viewer")
        work_off()
    finally:
        background._work.pop("test_asked")
    with unscoped("looking"):
        found = Job.objects.get(pk=job.pk)
    expected = ("done", "") if change == "stays" else ("cancelled", background.NO_LONGER)
    assert (found.state, found.words) == expected
    assert len(ran) == (change == "stays")
