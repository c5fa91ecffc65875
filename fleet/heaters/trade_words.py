"""Trade words on a heater list: kinds, fuels, anodes, endings, work done. Pure; unreadable words are refused."""

from __future__ import annotations

import re
from functools import lru_cache

from fleet.heaters.dates import LeftOut, UnreadableValue
from fleet.heaters.values import is_unknown

# Storage gas heaters above this input are built and rated as commercial. Common practice, no source.
COMMERCIAL_GAS_BTU_H = 75_000
COMMERCIAL_GAS_GAL = 100
# Electric storage heaters above 12 kW or 120 gallons are rated as commercial. Common practice, no source.
COMMERCIAL_ELECTRIC_BTU_H = 41_000
COMMERCIAL_GAL = 120

KIND_NAMES = {
    "gas_storage_atmospheric": "gas storage, atmospheric",
    "gas_storage_power_vent": "gas storage, power vent",
    "gas_storage_condensing": "gas storage, condensing",
    "electric_storage": "electric storage",
    "heat_pump": "heat pump",
    "gas_tankless": "gas tankless",
    "electric_tankless": "electric tankless",
    "indirect_tank": "indirect tank",
    "commercial_gas_storage": "commercial gas storage",
    "commercial_electric_storage": "commercial electric storage",
    "boiler_with_tank": "boiler with storage tank",
}
_FUELS = (
    ("propane", r"\b(lp|lpg|l\.p\.?|propane|bottled gas)\b"),
    ("natural_gas", r"\b(ng|n\.g\.?|nat\.? ?gas|natural( gas)?|gas|nat)\b"),
    ("electricity", r"\b(e|el|elec\w*|power|240 ?v|208 ?v|120 ?v|hp|hpwh|heat pump|hybrid)\b"),
    ("oil", r"\b(oil|fuel oil|#2)\b"),
)
_ANODES = (
    ("powered", r"power|impressed|titanium|electronic"),
    ("aluminium_zinc", r"zinc|\bal[ -/]*zn\b|\bzn\b"),
    ("aluminium", r"alum|^al$"),
    ("magnesium", r"magn|^mg$|^mag\b"),
    ("none", r"none|^no\b|without|^0$|stainless"),
)
_IN_SERVICE = re.compile(
    r"active|in service|in use|ok(ay)?|good|working|operating|operational|running|live|on|current|fair|poor|new|existing"
    r"|excellent|installed|y|yes|standby|stand-by"
)
_ENDINGS = (
    ("converted", r"convert|fuel switch|electrif"),
    ("tank_leak", r"leak|rupture|burst|flood|rusted through|rust through"),
    (
        "failed_beyond_repair",
        r"fail|dead|died|broke|beyond repair|burn(ed|t) out|condemn|not repair|worn out",
    ),
    (
        "replaced_as_planned",
        r"planned|scheduled|preventive|preventative|pre-?empt|upgrade|age( out|d)|end of life|proactive",
    ),
    (
        "removed",
        r"remov|replac|decommission|retired|demol|taken out|gone|scrap|out of service|disconnect|swap|inactive",
    ),
)
_WORK = (
    (
        "relief_valve_renewed",
        r"(t ?& ?p|tp|relief|prv).*(replac|renew|new|chang)|(replac|renew|new|chang)\w* (t ?& ?p|relief)",
    ),
    ("relief_valve_tested", r"t ?& ?p|relief|\btp (valve|test)"),
    ("anode_renewed", r"(anode|rod).*(replac|renew|new|chang)|(replac|renew|new|chang)\w* .*(anode|rod)"),
    ("anode_inspected", r"anode|\brod\b"),
    (
        "setpoint_changed",
        r"set ?-?point|temp\w* (set|adjust|chang|rais|lower)|thermostat (set|adjust)|(adjust|lower|rais)\w* temp",
    ),
    ("element_renewed", r"element"),
    ("descaled", r"descal|de-lim|delim|acid|vinegar|scale"),
    ("flush", r"flush|drain|sediment|blow ?down"),
    (
        "repaired",
        r"repair|fix|replac|thermocouple|igniter|ignitor|gas valve|burner|pilot|leak at|dip tube|thermostat",
    ),
    ("inspected", r"inspect|check|visit|survey|annual|pm\b|service|look"),
)
WORK_NAMES = (
    "flush, anode inspected, anode renewed, relief valve tested, relief valve renewed, repaired, element renewed, "
    "descaled, inspected or set point changed"
)


def _words(value: object) -> str:
    return " ".join(str(value).casefold().replace("_", " ").split())


def _first(table: tuple[tuple[str, str], ...], words: str) -> str:
    return next((name for name, pattern in table if re.search(pattern, words)), "")


def parse_fuel(value: object) -> str:
    """'' when not known. 'HP' is a heat pump, so electricity."""
    if is_unknown(value):
        return ""
    fuel = _first(_FUELS, _words(value))
    if not fuel:
        raise UnreadableValue(f"'{value}' is not a fuel", "natural gas, propane, electricity or oil")
    return fuel


def parse_anode_kind(value: object) -> str:
    words = _words(value)
    if words == "none":
        return "none"
    if is_unknown(value) or words in ("yes", "y", "standard", "std"):
        return ""
    kind = _first(_ANODES, words)
    if not kind:
        raise UnreadableValue(
            f"'{value}' is not a kind of anode", "magnesium, aluminium, aluminium with zinc, powered or none"
        )
    return kind


def parse_ending(value: object) -> str:
    """'' when the heater is in service or nothing is said."""
    if is_unknown(value):
        return ""
    words = _words(value)
    if words.replace(" ", "_") in {name for name, _ in _ENDINGS}:
        return words.replace(" ", "_")
    if _IN_SERVICE.fullmatch(words):
        return ""
    ending = _first(_ENDINGS, words)
    if not ending:
        raise UnreadableValue(
            f"'{value}' is not an ending",
            "in service, tank leak, failed beyond repair, replaced as planned, converted or removed",
        )
    return ending


def parse_work(value: object) -> str:
    words = _words(value)
    exact = words.replace(" ", "_")
    if exact in {name for name, _ in _WORK}:
        return exact
    work = _first(_WORK, words)
    if not work:
        problem = "no work is named" if is_unknown(value) else f"'{value}' is not a kind of work"
        raise UnreadableValue(problem, WORK_NAMES)
    return work


def parse_treatment(value: object) -> str:
    if is_unknown(value):
        return "raw"
    words = _words(value)
    if re.search(r"not soft|unsoft|raw|city|untreated|cold|incoming|main|^no?$|^false$|hard|supply", words):
        return "raw"
    if re.search(r"soft|treated|^y(es)?$|^true$|^x$", words):
        return "softened"
    raise UnreadableValue(f"'{value}' is not a treatment", "raw or softened")


def parse_below(value: object) -> str:
    if is_unknown(value):
        return ""
    words = _words(value)
    if re.search(r"unfinished|storage|parking|mech|plant|utility|boiler", words):
        return "unfinished"
    if re.search(
        r"finished|occupied|apartment|home|unit|room|living|office|retail|shop|ceiling|flat|dwelling", words
    ):
        return "finished"
    if re.search(r"ground|grade|slab|crawl|garage|basement|earth|nothing|concrete", words):
        return "ground"
    raise LeftOut(f"'{value}' does not say what is below", "ground, unfinished space or finished space")


def read_kind_words(value: object) -> str:
    """The words of a kind cell, checked to hold at least one word of the trade; '' when nothing is said."""
    if is_unknown(value):
        return ""
    words = _words(value)
    if words.replace(" ", "_") in KIND_NAMES or re.search(
        r"gas|elec|heat ?pump|\bhp\b|hpwh|hybrid|tankless|demand|instant|indirect|boiler|storage|tank|condens|power ?vent"
        r"|\bpv\b|atmos|\bng\b|\blp\b|propane|nat|standard|conventional|commercial|direct ?vent|\bdv\b|combi|oil|\bstd\b",
        words,
    ):
        return words
    raise UnreadableValue(
        f"'{value}' is not a kind of water heater", "one of: " + "; ".join(KIND_NAMES.values())
    )


@lru_cache(maxsize=4096)
def settle_kind(
    words: str, fuel: str, vent: str, capacity_gal: float | None, input_btu_h: float | None
) -> tuple[str, str, str]:
    """(kind, fuel, what was assumed in words) from everything a row says; kind '' when it does not say enough."""
    exact = words.replace(" ", "_")
    if exact in KIND_NAMES:
        return exact, fuel or _fuel_of(exact), ""
    by_name = {name: kind for kind, name in KIND_NAMES.items()}
    if words in by_name:
        return by_name[words], fuel or _fuel_of(by_name[words]), ""
    if re.search(r"heat ?pump|\bhp\b|hpwh|hybrid", words):
        return "heat_pump", "electricity", ""
    fuel = fuel or _first(_FUELS, words)
    if re.search(r"indirect", words):
        return "indirect_tank", fuel, ""
    if re.search(r"boiler", words):
        return "boiler_with_tank", fuel, ""
    if re.search(r"tankless|demand|instant|combi", words):
        assumed = "" if fuel else "tankless without a fuel is taken as gas"
        return ("electric_tankless" if fuel == "electricity" else "gas_tankless"), fuel, assumed
    if fuel == "electricity":
        large = (capacity_gal or 0) > COMMERCIAL_GAL or (input_btu_h or 0) > COMMERCIAL_ELECTRIC_BTU_H
        return (
            ("commercial_electric_storage" if large or "commercial" in words else "electric_storage"),
            fuel,
            "",
        )
    if not fuel:
        return "", "", ""
    return _gas_storage(words, fuel, f"{words} {vent.casefold()}", capacity_gal, input_btu_h)


def _gas_storage(
    words: str, fuel: str, with_vent: str, capacity_gal: float | None, input_btu_h: float | None
) -> tuple[str, str, str]:
    large = (capacity_gal or 0) > COMMERCIAL_GAS_GAL or (input_btu_h or 0) > COMMERCIAL_GAS_BTU_H
    if large or "commercial" in words:
        return "commercial_gas_storage", fuel, ""
    if "condens" in with_vent:
        return "gas_storage_condensing", fuel, ""
    if re.search(r"power ?-?vent|\bpv\b", with_vent):
        return "gas_storage_power_vent", fuel, ""
    assumed = (
        ""
        if re.search(r"atmos|natural draft|b-?vent|direct", with_vent)
        else "its vent is taken as atmospheric"
    )
    return "gas_storage_atmospheric", fuel, assumed


def _fuel_of(kind: str) -> str:
    return (
        "electricity"
        if kind.startswith("electric") or kind in ("heat_pump", "commercial_electric_storage")
        else ""
    )
