"""What care a heater needs, when and why. Pure: facts and a day in, decisions out; no database, no clock.

Every rule has an id, a source and a sentence for a person. Thresholds that are judgement say so.
"""

from __future__ import annotations

import calendar
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from datetime import date, timedelta

from fleet.care.kinds import TaskKind

PRACTICE = "common practice, no source"
OLD_TANK_YEARS = 9  # judgement, no source: trade pages say 8 to 10 years
VERY_HARD_MG_L = 180  # upper hardness class as USGS
HARD_MG_L = 120
HOT_SETPOINT_F = 140
RELIEF_UNTOUCHED_MONTHS = (
    36  # the common valve label asks for a look within 3 years (from memory, not verified)
)
ANODE_LIMIT = 0.25  # half the diameter left is a quarter of the metal
ANODE_RENEWAL_DAYS = 30
EARLY_CHANCE = 0.2  # judgement, no source: look again when one such anode in five would be spent
LARGE_INPUT_BTU_H = 200_000  # boiler-inspector rules of many states begin here
LARGE_TANK_GAL = 120
# First rounds of work that no record speaks of, in days after the heater came on record: judgement, no source.
FIRST_ROUNDS_SAFETY_DAYS = (14, 90)
FIRST_ROUNDS_DAYS = (60, 180)
OLDEST_YEARS = 15  # at this age a heater stands at the head of the first rounds
AGE_UNKNOWN_COUNTS_YEARS = 11
MONTHS = calendar.month_abbr[:]

RULES: Mapping[str, str] = {
    "interval": "as the task kind's own source",
    "first_interval": "as the task kind's own source",
    "programme_start": PRACTICE,
    "no_record": "laid out by us: safety work first, older heaters before younger ones; common practice, no source",
    "site_setting": "the site's own setting, with the source written there",
    "skipped": "a person's decision, kept in history",
    "promised": "the promise that the task names",
    "flush_hard_water": PRACTICE,
    "flush_hot_and_hard": PRACTICE,
    "old_tank_never_flushed": PRACTICE,
    "age_unknown_never_flushed": PRACTICE,
    "anode_first_look": "DIN 4753-6 as quoted by an anode trade page",
    "anode_softened": PRACTICE,
    "anode_predicted": PRACTICE,
    "anode_left_below_limit": PRACTICE,
    "relief_untouched": "trade pages and the common valve label (label from memory, not verified)",
}


@dataclass(frozen=True, slots=True)
class SiteSetting:
    """What a site decided for one task kind: its own interval and source, who may do it, or not at all."""

    interval_months: int | None = None
    source: str = ""
    switched_off: bool = False


@dataclass(frozen=True, slots=True)
class AnodeLook:
    seen_on: date
    left_fraction: float


@dataclass(slots=True)
class Facts:
    """What is known of one heater. Vague dates stand with the earliest day they can mean: care errs early."""

    heater_id: int
    kind: str
    building_id: int = 0
    started_on: date | None = None
    known_since: date | None = None  # the day from which its care is kept here; None: today
    hardness_mg_l: float | None = None
    softened: bool = False
    setpoint_f: float | None = None
    anode_kind: str = ""
    anode_count: int | None = None
    capacity_gal: float | None = None
    input_btu_h: float | None = None
    has_expansion_tank: bool | None = None
    closed_system: bool | None = None
    seismic_zone: str = ""
    recirculation: bool | None = None
    has_pan: bool | None = None
    has_leak_alarm: bool | None = None
    last_done: dict[str, date] = field(default_factory=dict)  # by task kind
    last_skipped: dict[str, date] = field(default_factory=dict)
    anode_looks: tuple[AnodeLook, ...] = ()  # since the anode was last renewed, oldest first
    anode_exhausted_on: date | None = None  # day by which one in five would be spent, from the science
    settings: Mapping[str, SiteSetting] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Decision:
    """One due task."""

    kind: str
    due_on: date
    rule: str
    why: str
    caution: str = ""


@dataclass(frozen=True, slots=True)
class Withheld:
    kind: str
    rule: str
    why: str


def add_months(day: date, months: int) -> date:
    """The same day of the month that many months later; the month's last day where it has no such day."""
    year, month = divmod(day.year * 12 + day.month - 1 + months, 12)
    month += 1
    return date(year, month, min(day.day, calendar.monthrange(year, month)[1]))


def say(day: date) -> str:
    return f"{day.day} {MONTHS[day.month]} {day.year}"


def every(months: int) -> str:
    if months == 12:
        return "every year"
    return f"every {months // 12} years" if months % 12 == 0 else f"every {months} months"


def condition_holds(name: str, facts: Facts) -> bool:
    """Is this part of the heater there? Not known counts as there where looking is harmless."""
    if name == "wearing_anode":
        return facts.anode_kind not in {"powered", "none"}
    if name == "powered_anode":
        return facts.anode_kind == "powered"
    if name == "expansion_tank":
        return facts.has_expansion_tank is True or facts.closed_system is True
    if name == "seismic":
        return bool(facts.seismic_zone)
    if name == "recirculation":
        return facts.recirculation is True
    if name == "large_vessel":
        return (facts.input_btu_h or 0) > LARGE_INPUT_BTU_H or (facts.capacity_gal or 0) > LARGE_TANK_GAL
    if name == "pan_or_alarm":
        return facts.has_pan is not False or facts.has_leak_alarm is True
    raise KeyError(name)


def applies(kind: TaskKind, facts: Facts) -> bool:
    return facts.kind in kind.applies_to and all(condition_holds(name, facts) for name in kind.only_if)


def is_old_never_flushed(facts: Facts, today: date) -> bool:
    """No flush on record and old enough that stirring the sediment may open a leak; unknown counts as never."""
    if "flush" in facts.last_done or facts.started_on is None:
        return False
    return add_months(facts.started_on, OLD_TANK_YEARS * 12) <= today


def fitted_on(facts: Facts) -> date | None:
    """The earliest day that the present anode can have been fitted."""
    return facts.last_done.get("anode_renewal") or facts.started_on


def predicted_anode_limit(facts: Facts) -> date | None:
    """The day the anode reaches its limit: the science's prediction, else a straight line to the last look."""
    if facts.anode_exhausted_on is not None:
        return facts.anode_exhausted_on
    since = fitted_on(facts)
    if since is None or not facts.anode_looks:
        return None
    look = facts.anode_looks[-1]
    days = (look.seen_on - since).days
    used = 1 - look.left_fraction
    if days < 30 or used <= 0.02:
        return None
    rest = (look.left_fraction - ANODE_LIMIT) / used * days
    return look.seen_on + timedelta(days=min(int(rest), 36_500)) if rest > 0 else look.seen_on


def _latest(*days: date | None) -> date | None:
    return max((day for day in days if day is not None), default=None)


def _dated(
    kind: TaskKind, facts: Facts, today: date, months: int, rule: str, why: str, as_good_as: str = ""
) -> Decision:
    """Count `months` from the last work (or work `as_good_as` it), else from installation or programme start."""
    last = _latest(facts.last_done.get(kind.code), facts.last_done.get(as_good_as))
    skipped = facts.last_skipped.get(kind.code)
    if last is not None and (skipped is None or skipped <= last):
        due = add_months(last, months)
        return Decision(kind.code, due, rule, f"Last done {say(last)}; {why}.")
    if skipped is not None:
        due = add_months(skipped, months)
        return Decision(kind.code, due, "skipped", f"Left out on {say(skipped)}; {why}.")
    since = facts.known_since or today
    if kind.starts == "programme":
        return _programme_start(kind, facts, since)
    if facts.started_on is None:
        return _first_round(kind, facts, since)
    due = add_months(facts.started_on, months)
    if due < since:
        return _first_round(kind, facts, since)
    first = "first_interval" if rule == "interval" else rule
    return Decision(kind.code, due, first, f"Never done on record since {say(facts.started_on)}; {why}.")


def _first_round(kind: TaskKind, facts: Facts, since: date) -> Decision:
    """Work that no record speaks of is laid out over the first months by risk, not called years late.

    The day hangs on the day the heater came on record, so that it stays whenever it is asked.
    """
    years = AGE_UNKNOWN_COUNTS_YEARS
    if facts.started_on is not None:
        years = max((since - facts.started_on).days // 365, 0)
    pressing = kind.safety or kind.starts == "condition"
    first, last = FIRST_ROUNDS_SAFETY_DAYS if pressing else FIRST_ROUNDS_DAYS
    offset = last - (last - first) * min(years, OLDEST_YEARS) // OLDEST_YEARS
    due = since + timedelta(days=offset)
    order = "Safety work goes first" if pressing else "After the safety work"
    age = "age not known" if facts.started_on is None else f"{years} years old on {say(since)}"
    why = f"No record of it. {order}, and older heaters before younger ones ({age})."
    return Decision(kind.code, due, "no_record", why)


def _programme_start(kind: TaskKind, facts: Facts, since: date) -> Decision:
    """The first round of a check that no record speaks of: by risk for a heater that came here in use, else a
    round after its installation."""
    step = min(kind.interval_months, 12)
    if facts.started_on is None or (kind.safety and add_months(facts.started_on, step) < since):
        return _first_round(kind, facts, since)
    behind = (since.year - facts.started_on.year) * 12 + since.month - facts.started_on.month
    rounds = max(behind // step, 1)
    due = add_months(facts.started_on, rounds * step)
    if due < since:
        due = add_months(facts.started_on, (rounds + 1) * step)
    words = f"Not on record yet; the first round falls on {say(due)}, then {every(kind.interval_months)}."
    return Decision(kind.code, due, "programme_start", words)


def _interval(kind: TaskKind, facts: Facts, default: int) -> tuple[int, str | None]:
    setting = facts.settings.get(kind.code)
    if setting is not None and setting.interval_months:
        return setting.interval_months, setting.source
    return default, None


def _plain(kind: TaskKind, facts: Facts, today: date, as_good_as: str = "") -> Decision:
    months, source = _interval(kind, facts, kind.interval_months)
    rule, why = "interval", f"due {every(months)}"
    if source is not None:
        rule, why = "site_setting", f"this site asks for it {every(months)} ({source})"
    return _dated(kind, facts, today, months, rule, why, as_good_as)


def _flush(kind: TaskKind, facts: Facts, today: date) -> Decision | Withheld | None:
    if is_old_never_flushed(facts, today):
        return Withheld(
            kind.code,
            "old_tank_never_flushed",
            f"Not flushed: {OLD_TANK_YEARS} years old or more with no flush on record. Sediment may be plugging "
            "pinholes and the drain valve may not close again. Look it over and plan its replacement.",
        )
    if facts.started_on is None and "flush" not in facts.last_done:
        return Withheld(
            kind.code,
            "age_unknown_never_flushed",
            "Not flushed yet: neither its age nor a flush is on record. Read the plate first; "
            "an old tank never flushed is better left undisturbed.",
        )
    months, source = _interval(kind, facts, kind.interval_months)
    if source is not None:
        return _dated(
            kind, facts, today, months, "site_setting", f"this site asks for it {every(months)} ({source})"
        )
    hardness, setpoint = facts.hardness_mg_l or 0, facts.setpoint_f or 0
    if hardness > VERY_HARD_MG_L:
        why = f"very hard water ({hardness:.0f} mg/L) shortens the round to 6 months"
        return _dated(kind, facts, today, 6, "flush_hard_water", why)
    if hardness > HARD_MG_L and setpoint >= HOT_SETPOINT_F:
        why = f"hard water ({hardness:.0f} mg/L) kept at {setpoint:.0f} F shortens the round to 6 months"
        return _dated(kind, facts, today, 6, "flush_hot_and_hard", why)
    return _dated(kind, facts, today, months, "interval", f"due {every(months)}")


def _old_tank(kind: TaskKind, facts: Facts, today: date) -> Decision | None:
    """Inspection and replacement review: only where the flush is withheld for age."""
    last = facts.last_done.get(kind.code) or facts.last_skipped.get(kind.code)
    since = facts.known_since or today
    if is_old_never_flushed(facts, today) and facts.started_on is not None:
        rule = "old_tank_never_flushed"
        due = add_months(facts.started_on, OLD_TANK_YEARS * 12) if last is None else add_months(last, 12)
        if last is None and due < since:
            due = _first_round(kind, facts, since).due_on
        why = f"In service since {say(facts.started_on)} with no flush on record: not flushed, looked over instead."
        return Decision(kind.code, due, rule, why)
    unknown = facts.started_on is None and "flush" not in facts.last_done
    if unknown and kind.code == "tank_inspection":
        due = _first_round(kind, facts, since).due_on if last is None else add_months(last, 12)
        why = "Neither age nor flush is on record: read the plate and look it over first."
        return Decision(kind.code, due, "age_unknown_never_flushed", why)
    return None


def _anode_inspection(kind: TaskKind, facts: Facts, today: date) -> Decision | None:
    if _anode_below_limit(facts) is not None:
        return None  # the renewal stands in its place
    months, source = _interval(kind, facts, 12 if facts.softened else kind.interval_months)
    if source is not None:
        rule, why = "site_setting", f"this site asks for a look {every(months)} ({source})"
    elif facts.softened:
        rule, why = "anode_softened", "softened water wears an anode fast, so a look every year"
    else:
        rule, why = "anode_first_look", f"a look {every(months)}, the first after {months // 12} years"
    decision = _dated(kind, facts, today, months, rule, why, "anode_renewal")
    limit = predicted_anode_limit(facts) if facts.anode_looks else None
    if limit is not None and limit < decision.due_on:
        left = _of_hundred(facts.anode_looks[-1].left_fraction)
        words = (
            f"At the wear seen so far (the last look left {left}), the anode may be spent about {say(limit)}."
        )
        return Decision(kind.code, limit, "anode_predicted", words)
    return decision


def _of_hundred(fraction: float) -> str:
    return f"{100 * fraction:.0f} %"


def _anode_below_limit(facts: Facts) -> AnodeLook | None:
    if facts.anode_looks and facts.anode_looks[-1].left_fraction <= ANODE_LIMIT:
        return facts.anode_looks[-1]
    return None


def _anode_renewal(kind: TaskKind, facts: Facts, today: date) -> Decision | None:
    look = _anode_below_limit(facts)
    if look is None:
        return None
    due = look.seen_on + timedelta(days=ANODE_RENEWAL_DAYS)
    skipped = facts.last_skipped.get(kind.code)
    if skipped is not None and skipped >= look.seen_on:
        due = add_months(skipped, 6)
    left = f"Only {_of_hundred(look.left_fraction)}" if look.left_fraction >= 0.005 else "Nothing"
    why = f"{left} of the anode was left on {say(look.seen_on)}; it protects too little or not at all."
    return Decision(kind.code, due, "anode_left_below_limit", why)


def _relief_valve_test(kind: TaskKind, facts: Facts, today: date) -> Decision | None:
    decision = _plain(kind, facts, today, "relief_valve_renewal")
    touched = _latest(facts.last_done.get(kind.code), facts.last_done.get("relief_valve_renewal"))
    since = touched or facts.started_on
    if since is not None and add_months(since, RELIEF_UNTOUCHED_MONTHS) > today:
        return decision
    long_ago = f"since {say(since)}" if since else "on record"
    caution = (
        f"Not touched {long_ago}: it may not close again. Try it only with the cold-water valve known to hold, "
        "a spare of the right rating at hand, and a licensed plumber within reach to fit it."
    )
    return replace(decision, caution=caution)


Rule = Callable[[TaskKind, Facts, date], "Decision | Withheld | None"]
SPECIAL: Mapping[str, Rule] = {
    "flush": _flush,
    "tank_inspection": _old_tank,
    "replacement_review": _old_tank,
    "anode_inspection": _anode_inspection,
    "anode_renewal": _anode_renewal,
    "relief_valve_test": _relief_valve_test,
}


def decide(
    facts: Facts, kinds: Mapping[str, TaskKind], today: date
) -> tuple[dict[str, Decision], dict[str, Withheld]]:
    """All due work of one heater as of a day, and what is held back on purpose, each by task kind."""
    due: dict[str, Decision] = {}
    held: dict[str, Withheld] = {}
    for code, kind in kinds.items():
        if not applies(kind, facts):
            continue
        setting = facts.settings.get(code)
        if setting is not None and setting.switched_off:
            held[code] = Withheld(
                code, "site_setting", f"This site does not have it done ({setting.source})."
            )
            continue
        outcome = SPECIAL.get(code, _plain)(kind, facts, today)
        if isinstance(outcome, Withheld):
            held[code] = outcome
        elif outcome is not None:
            due[code] = outcome
    return due, held
