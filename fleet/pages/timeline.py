"""The life of the heaters at one position as a drawing: spans of service, vague ends shown as vague, and what was done."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from datetime import date, timedelta

from fleet.heaters.models import Heater, ServiceRecord
from fleet.pages import words

WIDTH, LEFT, RIGHT, ROW, TOP = 760, 24, 740, 64, 10
BAR = 18
TOUCHING = 26


@dataclass(frozen=True)
class Span:
    """One heater: sure from `start` to `end`, unsure before and after, as x positions."""

    label: str
    this: bool
    y: int
    text_y: int
    unsure_x: float
    unsure_width: float
    x: float
    width: float
    tail_x: float
    tail_width: float


@dataclass(frozen=True)
class Mark:
    x: float
    y: int
    letter_y: int
    letter: str
    words: str


@dataclass(frozen=True)
class Tick:
    x: float
    year: int


@dataclass(frozen=True)
class Life:
    """Everything the template draws, in the drawing's own units."""

    width: int
    height: int
    axis_y: int
    label_y: int
    spans: list[Span]
    marks: list[Mark]
    ticks: list[Tick]
    key: list[tuple[str, str]]
    served: str
    cared_for: str
    table: list[tuple[str, list[str]]]


LETTERS = {
    "flush": "F",
    "anode_inspected": "a",
    "anode_renewed": "A",
    "relief_valve_tested": "v",
    "relief_valve_renewed": "V",
    "repaired": "R",
    "element_renewed": "E",
    "descaled": "D",
    "inspected": "i",
    "setpoint_changed": "S",
}


def life(
    heaters: Iterable[Heater], services: Iterable[ServiceRecord], this_id: int, today: date
) -> Life | None:
    """None where no date at all is known."""
    dated = [(heater, *_bounds(heater, today)) for heater in heaters]
    known = [row for row in dated if row[1] is not None]
    if not known:
        return None
    first = min(start for _, start, *_ in known if start is not None)
    low = date(first.year, 1, 1)
    scale = (RIGHT - LEFT) / max(1, (today - low).days)

    def x(day: date) -> float:
        return round(LEFT + max(0, min((day - low).days, (today - low).days)) * scale, 1)

    done = list(services)
    spans, rows = [], {}
    for index, (heater, early, late, end_early, end_late) in enumerate(known):
        assert early is not None
        y = TOP + index * ROW + 20
        rows[heater.pk] = y
        sure_from, sure_to = x(late), max(x(late), x(end_early))
        spans.append(
            Span(
                _label(heater),
                heater.pk == this_id,
                y,
                y - 5,
                x(early),
                round(sure_from - x(early), 1),
                sure_from,
                round(sure_to - sure_from, 1),
                sure_to,
                round(max(0.0, x(end_late) - sure_to), 1),
            )
        )
    marks = _marks(done, rows, x)
    axis = TOP + len(known) * ROW + 8
    step = max(1, -(-(today.year - low.year + 1) // 8))
    ticks = [Tick(x(date(year, 1, 1)), year) for year in range(low.year, today.year + 1, step)]
    used = {letter for mark in marks for letter in mark.letter}
    key = [
        (letter, str(dict(ServiceRecord.Work.choices)[kind]))
        for kind, letter in LETTERS.items()
        if letter in used
    ]
    told = {
        heater.pk: [_said(row) for row in _dated(done) if row.heater_id == heater.pk] for heater, *_ in known
    }
    return Life(
        WIDTH,
        axis + 26,
        axis,
        axis + 18,
        spans,
        marks,
        ticks,
        key,
        _served(next((row for row in known if row[0].pk == this_id), None)),
        _cared_for(told.get(this_id, [])),
        [(_label(heater), told[heater.pk]) for heater, *_ in known],
    )


def _served(row: tuple[Heater, date | None, date, date, date] | None) -> str:
    """How long it has served, from the least that its dates allow to the most."""
    if row is None or row[1] is None:
        return "Its own dates are not known"
    heater, early, late, end_early, end_late = row
    assert early is not None
    least, most = (max(0.0, days.days / words.DAYS_IN_YEAR) for days in (end_early - late, end_late - early))
    years = f"{most:.1f}" if most - least < 0.15 else f"{least:.1f} to {most:.1f}"
    return f"In service for {years} years" if heater.in_service else f"It served {years} years"


def _cared_for(told: list[str]) -> str:
    if not told:
        return "no work on it is dated on record"
    count = "once" if len(told) == 1 else f"{len(told)} times"
    return f"worked on {count} by the record, the last: {told[-1]}"


def _bounds(heater: Heater, today: date) -> tuple[date | None, date, date, date]:
    """Earliest and latest start, earliest and latest end. A unit that still serves ends today."""
    early = heater.installed_earliest or heater.made_earliest or heater.installed_latest
    late = heater.installed_latest or early
    if heater.in_service:
        return early, late or today, today, today
    end_late = heater.removed_latest or today
    return early, late or today, heater.removed_earliest or late or today, end_late


def _label(heater: Heater) -> str:
    put_in = words.a_date(heater.installed_earliest, heater.installed_latest, heater.installed_precision)
    ending = ""
    if not heater.in_service:
        when = words.a_date(heater.removed_earliest, heater.removed_latest, heater.removed_precision)
        ending = f"; {heater.get_ending_display()} {when}"
    return f"{heater.tag}: put in {put_in}{ending}"


def _dated(services: Iterable[ServiceRecord]) -> list[ServiceRecord]:
    """The first done first."""
    return sorted((row for row in services if row.done_earliest and row.done_latest), key=_middle)


def _middle(service: ServiceRecord) -> date:
    assert service.done_earliest is not None and service.done_latest is not None
    return service.done_earliest + timedelta(days=(service.done_latest - service.done_earliest).days // 2)


def _said(service: ServiceRecord) -> str:
    done = words.a_date(service.done_earliest, service.done_latest, service.done_precision)
    return f"{service.get_kind_display()}, {done}"


def _marks(services: Iterable[ServiceRecord], rows: dict[int, int], x: Callable[[date], float]) -> list[Mark]:
    """One mark a visit: works done so close together that their letters would touch share it."""
    found = []
    for service in _dated(services):
        if service.heater_id in rows:
            letter = LETTERS.get(service.kind, "?")
            found.append((rows[service.heater_id] + BAR, x(_middle(service)), letter, _said(service)))
    marks: list[Mark] = []
    for y, place, letter, said in sorted(found):
        last = marks[-1] if marks else None
        if last and last.y == y and place - last.x < TOUCHING:
            letters = last.letter if letter in last.letter else last.letter + letter
            marks[-1] = Mark(last.x, y, y + 16, letters, f"{last.words}; {said}")
        else:
            marks.append(Mark(place, y, y + 16, letter, said))
    return marks
