"""Task kinds: data read from fixtures/task_kinds, checked when read, never half believed."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, fields
from functools import cache
from pathlib import Path
from typing import Any

from fleet.heaters.models import GAS, TANKLESS, Kind, ServiceRecord

FOLDER = Path(__file__).resolve().parents[2] / "fixtures" / "task_kinds"
ALL_KINDS = frozenset(str(kind) for kind in Kind.values)
GROUPS: dict[str, frozenset[str]] = {
    "all": ALL_KINDS,
    "storage": ALL_KINDS - frozenset(map(str, TANKLESS)),
    "gas": frozenset(map(str, GAS)),
    "electric": ALL_KINDS - frozenset(map(str, GAS)) - {"indirect_tank"},
    "tankless": frozenset(map(str, TANKLESS)),
}
STARTS = frozenset({"installation", "programme", "condition"})
WORKERS = {
    "site_staff": "site staff, where the local rules and the site allow it",
    "licensed_plumber": "licensed plumber",
    "licensed_gas_fitter": "licensed gas fitter or plumber with gas licence",
    "licensed_electrician": "licensed electrician",
    "vessel_inspector": "the inspector that the local authority recognises",
}
KEPT = frozenset(
    {
        "heater.setpoint_f",
        "heater.relief_valve_psi",
        "heater.relief_valve_btu_h",
        "heater.anode_kind",
        "position.static_pressure_psi",
    }
)
CONDITIONS = frozenset(
    {
        "wearing_anode",
        "powered_anode",
        "expansion_tank",
        "seismic",
        "recirculation",
        "large_vessel",
        "pan_or_alarm",
    }
)


class BadTaskKind(ValueError):
    """A task kind's data cannot be believed; the message names kind, field, value and what would be right."""


@dataclass(frozen=True)
class FindingField:
    """One thing to record. Limits in `unit`: beyond low and high refused, beyond the usual range asked again."""

    name: str
    label: str
    type: str
    unit: str = ""
    low: float | None = None
    high: float | None = None
    usual_low: float | None = None
    usual_high: float | None = None
    choices: tuple[str, ...] = ()
    unsafe: tuple[str, ...] = ()
    unsafe_above: float | None = None
    unsafe_below: float | None = None
    required: bool = True
    keeps: str = ""  # the record's own field that this finding brings up to date, one of KEPT

    def usual_range(self) -> str:
        return f"{self.usual_low:g} to {self.usual_high:g} {self.unit}".strip()

    def is_unusual(self, value: float, edge: float = 0.0) -> bool:
        return (self.usual_low is not None and value < self.usual_low - edge) or (
            self.usual_high is not None and value > self.usual_high + edge
        )

    def is_unsafe(self, value: float | str) -> bool:
        if isinstance(value, str):
            return value in self.unsafe
        return (self.unsafe_above is not None and value > self.unsafe_above) or (
            self.unsafe_below is not None and value < self.unsafe_below
        )


@dataclass(frozen=True)
class TaskKind:
    code: str
    name: str
    applies_to: frozenset[str]
    interval_months: int
    interval_source: str
    starts: str
    done_by: str
    minutes: int
    window_days: int
    record: str
    together: tuple[str, ...]
    parts: tuple[str, ...]
    tools: tuple[str, ...]
    isolation: tuple[str, ...]
    hazards: tuple[str, ...]
    protective_gear: tuple[str, ...]
    steps: tuple[str, ...]
    stop_work: tuple[str, ...]
    findings: tuple[FindingField, ...]
    only_if: tuple[str, ...] = ()
    hot_water_off: bool = False  # the people served have no hot water meanwhile
    safety: bool = False  # it looks for what can burn, gas, shock or burst: goes before everything else

    @property
    def worker(self) -> str:
        return WORKERS[self.done_by]

    @property
    def cautions(self) -> tuple[str, ...]:
        """What can hurt and when to stop: shown before the steps."""
        return self.hazards + self.stop_work


def _bad(where: str, field: str, value: object, right: str) -> BadTaskKind:
    return BadTaskKind(f"Task kind {where}, field {field}: {value!r} cannot be used. Right would be {right}.")


def _finding(where: str, raw: Mapping[str, Any]) -> FindingField:
    known = {field.name for field in fields(FindingField)}
    for name in raw:
        if name not in known:
            raise _bad(where, "findings", name, f"one of {', '.join(sorted(known))}")
    values: dict[str, Any] = {
        name: tuple(value) if isinstance(value, list) else value for name, value in raw.items()
    }
    try:
        field = FindingField(**values)
    except TypeError as error:
        raise _bad(where, "findings", raw, "at least name, label and type") from error
    if field.type not in {"number", "choice", "text"}:
        raise _bad(where, f"findings.{field.name}.type", field.type, "number, choice or text")
    if field.keeps and field.keeps not in KEPT:
        raise _bad(where, f"findings.{field.name}.keeps", field.keeps, f"one of {', '.join(sorted(KEPT))}")
    if field.type == "choice" and (len(field.choices) < 2 or not set(field.unsafe) <= set(field.choices)):
        raise _bad(
            where, f"findings.{field.name}.choices", field.choices, "two or more, the unsafe ones among them"
        )
    if field.type == "number":
        limits = (field.low, field.usual_low, field.usual_high, field.high)
        known_limits = [limit for limit in limits if limit is not None]
        if not field.unit or len(known_limits) < 4 or known_limits != sorted(known_limits):
            raise _bad(
                where, f"findings.{field.name}", limits, "a unit and low <= usual_low <= usual_high <= high"
            )
    return field


def _kind(code: str, raw: Mapping[str, Any]) -> TaskKind:
    known = {field.name for field in fields(TaskKind)} - {"code"}
    missing = known - set(raw) - {"only_if", "hot_water_off", "safety"}
    if missing or set(raw) - known:
        raise _bad(
            code, ", ".join(sorted(missing or set(raw) - known)), None, f"exactly {', '.join(sorted(known))}"
        )
    for group in raw["applies_to"]:
        if group not in GROUPS and group not in ALL_KINDS:
            raise _bad(code, "applies_to", group, f"a heater kind or one of {', '.join(GROUPS)}")
    checks: tuple[tuple[str, object, bool, str], ...] = (
        ("starts", raw["starts"], raw["starts"] in STARTS, f"one of {', '.join(sorted(STARTS))}"),
        ("done_by", raw["done_by"], raw["done_by"] in WORKERS, f"one of {', '.join(WORKERS)}"),
        ("interval_months", raw["interval_months"], 1 <= raw["interval_months"] <= 240, "1 to 240 months"),
        ("minutes", raw["minutes"], 1 <= raw["minutes"] <= 960, "1 to 960 minutes"),
        (
            "record",
            raw["record"],
            raw["record"] in {"", *ServiceRecord.Work.values},
            "a kind of service record, or empty",
        ),
        (
            "only_if",
            raw.get("only_if", ()),
            set(raw.get("only_if", ())) <= CONDITIONS,
            str(sorted(CONDITIONS)),
        ),
    )
    for field, value, holds, right in checks:
        if not holds:
            raise _bad(code, field, value, right)
    for field in (
        "interval_source",
        "isolation",
        "hazards",
        "protective_gear",
        "steps",
        "stop_work",
        "findings",
    ):
        if not raw[field]:
            raise _bad(
                code, field, raw[field], "at least one entry: no task without cautions, source and findings"
            )
    values: dict[str, Any] = {
        name: tuple(value) if isinstance(value, list) else value for name, value in raw.items()
    }
    values["applies_to"] = frozenset().union(
        *(GROUPS.get(name, frozenset({name})) for name in raw["applies_to"])
    )
    values["findings"] = tuple(_finding(code, field) for field in raw["findings"])
    return TaskKind(code=code, **values)


def read_task_kinds(folder: Path) -> dict[str, TaskKind]:
    """Read every .toml file of a folder; raises BadTaskKind naming what is wrong and what would be right."""
    kinds: dict[str, TaskKind] = {}
    for path in sorted(folder.glob("*.toml")):
        try:
            raw = tomllib.loads(path.read_text(encoding="utf-8"))
        except tomllib.TOMLDecodeError as error:
            raise BadTaskKind(f"{path.name} cannot be read as TOML: {error}") from error
        for code, values in raw.items():
            if code in kinds:
                raise _bad(code, "code", code, "a code used once in all files")
            kinds[code] = _kind(code, values)
    for kind in kinds.values():
        for other in kind.together:
            if other not in kinds:
                raise _bad(kind.code, "together", other, "the code of another task kind")
    return kinds


@cache
def task_kinds() -> Mapping[str, TaskKind]:
    """The shipped task kinds by code."""
    return read_task_kinds(FOLDER)
