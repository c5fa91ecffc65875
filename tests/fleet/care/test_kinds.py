"""No task kind without cautions, source and findings; a bad file is refused with what would be right."""

from __future__ import annotations

from pathlib import Path

import pytest

from fleet.care.kinds import FOLDER, BadTaskKind, read_task_kinds, task_kinds
from fleet.heaters.models import Kind


@pytest.mark.parametrize("code", sorted(task_kinds()))
def test_every_kind_has_cautions_source_and_findings(code: str) -> None:
    kind = task_kinds()[code]
    assert kind.hazards
    assert kind.stop_work
    assert kind.protective_gear
    assert kind.isolation
    assert kind.interval_source
    assert any(field.required for field in kind.findings)
    assert kind.applies_to <= set(Kind.values)


def test_every_number_has_a_unit_and_limits_in_order() -> None:
    for kind in task_kinds().values():
        for field in kind.findings:
            if field.type == "number":
                assert field.unit, (kind.code, field.name)
                assert field.low <= field.usual_low <= field.usual_high <= field.high, (kind.code, field.name)


def test_every_heater_kind_has_care() -> None:
    for heater_kind in Kind.values:
        assert sum(heater_kind in kind.applies_to for kind in task_kinds().values()) >= 3, heater_kind


UNSAFE = (
    # kind, finding, what was seen; the source where there is one
    ("relief_valve_test", "present", "missing"),  # IPC 504.4: a relief valve is required
    ("relief_valve_test", "rated_psi", "175"),  # IPC 504.5: not above 150 psi
    ("relief_valve_renewal", "rated_psi", "175"),  # IPC 504.5
    ("discharge_pipe_check", "pipe", "missing"),  # IPC 504.6: a discharge pipe is required
    ("vent_check", "end", "partly blocked"),  # common practice, no source: flue gas backs up
    ("flush", "drain_valve", "will not close"),  # common practice, no source: it scalds and floods
    ("element_check", "high_limit", "had tripped, cause not found"),  # common practice, no source
)


@pytest.mark.parametrize(("code", "name", "seen"), UNSAFE)
def test_what_the_cautions_call_unsafe_stops_the_task(code: str, name: str, seen: str) -> None:
    field = next(one for one in task_kinds()[code].findings if one.name == name)
    if field.type == "choice":
        assert seen in field.unsafe
    else:
        assert field.unsafe_above is not None
        assert float(seen) > field.unsafe_above


def test_the_steps_leave_to_a_licence_and_to_the_rating_plate_what_belongs_to_them() -> None:
    """A relief valve may open at the tank's working pressure at most, never above it: IPC 504.5."""
    tried, renewed = (
        " ".join(task_kinds()[one].steps) for one in ("relief_valve_test", "relief_valve_renewal")
    )
    for steps in (tried, renewed):
        assert "pressure not above the tank's working pressure" in steps
        assert "heating power not below" in steps
    assert task_kinds()["relief_valve_test"].done_by == "site_staff"
    assert "until a licensed plumber has fitted a new valve" in tried
    assert "find out why before pressing its button" in " ".join(task_kinds()["element_check"].steps)


def mended(tmp_path: Path, old: str, new: str) -> Path:
    text = (FOLDER / "tank.toml").read_text()
    assert old in text
    (tmp_path / "tank.toml").write_text(text.replace(old, new, 1))
    return tmp_path


@pytest.mark.parametrize(
    ("old", "new", "names"),
    [
        ("interval_months = 12", "interval_months = 0", ["flush", "interval_months", "1 to 240"]),
        ('done_by = "site_staff"', 'done_by = "anyone"', ["flush", "done_by", "licensed_plumber"]),
        ('applies_to = ["storage"]', 'applies_to = ["kettle"]', ["flush", "kettle"]),
        ('record = "flush"', 'record = "flushed"', ["flush", "record"]),
        (
            'unit = "gal", low = 0, high = 1000',
            'unit = "gal", low = 900, high = 1000',
            ["flush", "drained_gal"],
        ),
        ('unsafe = ["leaks"]', 'unsafe = ["drips"]', ["flush", "tank_body"]),
        ('together = ["anode_inspection"', 'together = ["anode_looking"', ["flush", "anode_looking"]),
        ("minutes = 40", "", ["flush", "minutes"]),
    ],
)
def test_bad_data_is_named(tmp_path: Path, old: str, new: str, names: list[str]) -> None:
    with pytest.raises(BadTaskKind) as caught:
        read_task_kinds(mended(tmp_path, old, new))
    for name in names:
        assert name in str(caught.value)


def test_empty_hazards_are_refused(tmp_path: Path) -> None:
    text = (FOLDER / "tank.toml").read_text().splitlines()
    text = ["hazards = []" if line.startswith("hazards") else line for line in text]
    (tmp_path / "tank.toml").write_text("\n".join(text))
    with pytest.raises(BadTaskKind, match="hazards"):
        read_task_kinds(tmp_path)
