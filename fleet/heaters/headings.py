"""Which column means what: trade synonyms matched to our fields, for each kind of sheet.

A guess is only a guess: it is shown, can be mended, and the mending is remembered for the next file.
A match is written `field` or `field:hint`; the hint is the unit of a bare number or the order of day and month.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Literal

SheetKind = Literal["properties", "heaters", "service", "water"]
KINDS: tuple[SheetKind, ...] = ("heaters", "service", "water", "properties")
# Columns that we add to the file of refused rows; read again, they mean nothing.
REFUSED_BECAUSE = "Refused because"
ROW_IN_FILE = "Row in file"
SHEET_WORDS: dict[SheetKind, tuple[str, ...]] = {
    "heaters": ("heater", "tank", "unit", "inventory", "equipment", "asset", "register", "wh"),
    "service": ("service", "history", "maintenance", "work", "visit", "log", "pm"),
    "water": ("water test", "water quality", "hardness", "lab", "chemistry", "water"),
    "properties": ("propert", "site", "portfolio", "communit"),
}

_PLACE = {
    "property": "property|property name|site|site name|complex|community|development|estate|campus|project",
    "building": "building|bldg|bldg no|bldg #|building name|building no|building number|building #|block|tower|house",
    "position": "position|location|where|place|mech room|mechanical room|room/location|location in building|spot|closet"
    "|unit location|apartment|apt|apt no|apt #|suite|unit no|unit #|unit number|position label",
}
_PROPERTY = {
    "address": "address|property address|street address|street|site address",
    "time_zone": "time zone|timezone",
    "fiscal_year_start_month": "fiscal year start month|fiscal year starts|fiscal year start|fy start",
    "currency": "currency",
    "code_family": "code family|plumbing code|code",
    "records_since": "records since|records complete since|endings recorded since",
    "emergency_contact": "emergency contact|emergency phone",
    "latitude": "latitude|lat",
    "longitude": "longitude|lon|long|lng",
    "softened_since": "softened since|softener since|softener installed|water softener since",
}
# Columns of a list of heaters that name the last work of a kind: each cell is one work done.
LAST = "last_"
LAST_WORK = {
    "last_flush": "last flush|last flushed|flushed|flushed on|date flushed|flush date|last flush date|last drained|last drain",
    "last_descaled": "last descaled|last descale|descaled|last delimed",
    "last_anode_renewed": "last anode renewed|anode renewed|anode replaced|last anode|last anode replacement|anode changed"
    "|new anode|anode date|anode replaced on|last anode change|anode rod replaced|rod replaced",
    "last_anode_inspected": "last anode inspected|anode inspected|anode checked|anode chkd|anode chk|last anode inspection|anode check",
    "last_relief_valve_tested": "last relief valve tested|relief valve tested|t&p tested|last t&p test|relief valve test"
    "|t&p test|last relief valve test|tp tested|prv tested",
    "last_relief_valve_renewed": "last relief valve renewed|relief valve replaced|t&p replaced|relief valve renewed"
    "|new t&p|t&p valve replaced",
    "last_repaired": "last repaired|last repair|repaired|repair date",
    "last_inspected": "last inspected|last inspection|inspected|inspected on|inspection date|last service|last serviced"
    "|last service date|serviced|last maintenance|last pm|last visit|last checked",
}
SYNONYMS: dict[SheetKind, dict[str, str]] = {
    "heaters": _PLACE
    | {"position": _PLACE["position"] + "|unit"}  # in a list of service it names the heater
    | _PROPERTY
    | LAST_WORK
    | {
        "year_built": "year built|built|building year|yr built|constructed|construction year",
        "units_served": "units in building|building units|homes in building|apartments in building|no of units",
        "floor": "floor|level|storey|story|flr",
        "room": "room|room name|room no|room #",
        "below": "below|what is below|what lies below|space below|under it|underneath",
        "has_pan": "pan|drain pan|pan under|pan?|has pan|leak pan|catch pan|safety pan",
        "has_drain": "drain|floor drain|pan drain|drain?|has drain|drained",
        "has_leak_alarm": "leak alarm|leak sensor|leak detector|water alarm|leak alarm?|has leak alarm",
        "has_shutoff_valve": "shutoff|shut off|shut-off|shut off valve|shutoff valve|isolation valve|has shutoff valve",
        "closed_system": "closed system|closed loop|closed|check valve|backflow|prv or check valve",
        "has_expansion_tank": "expansion tank|exp tank|expansion|expansion vessel|exp. tank|thermal expansion tank"
        "|has expansion tank|expansion control",
        "static_pressure_psi": "static pressure|water pressure|pressure|supply pressure|line pressure|street pressure"
        "|static psi|psi|static pressure psi",
        "seismic_zone": "seismic zone|seismic|earthquake zone",
        "clear_height_in": "clear height|headroom|height available|clear height in",
        "clear_width_in": "clear width|width available|clear width in",
        "clear_depth_in": "clear depth|depth available|clear depth in",
        "room_volume_ft3": "room volume|air volume|room volume ft3|room volume cu ft",
        "hard_access": "hard access|difficult access|hard to reach",
        "has_mixing_valve": "mixing valve|tempering valve|has mixing valve|master mixing valve",
        "has_sediment_trap": "sediment trap|drip leg|has sediment trap|gas sediment trap",
        "has_seismic_straps": "seismic straps|straps|earthquake straps|strapped|has seismic straps",
        "vent_lined": "vent lined|chimney lined|vent liner|chimney liner",
        "has_240v_circuit": "240 v circuit|240v circuit|240v|has 240v circuit|240 volt circuit",
        "tag": "tag|tag no|tag #|tag number|heater|heater id|heater no|heater #|heater tag|wh #|wh no|wh id|id|asset"
        "|asset id|asset no|asset #|asset tag|unit id|equipment id|equip id|equip #|unit tag|label|mark|number|no|#",
        "kind": "kind|type|heater type|wh type|type of heater|water heater type|style|description|unit type|heater kind"
        "|equipment type",
        "fuel": "fuel|fuel type|energy|energy source|power source|gas/elec|gas or electric|gas/electric|g/e",
        "maker": "make|maker|manufacturer|mfr|mfg|mfgr|brand|manuf",
        "model_number": "model|model no|model #|model number|mod #|model no.",
        "serial_number": "serial|serial no|serial #|serial number|s/n|sn|ser #|ser no",
        "capacity_gal": "capacity|size|gallons|gal|gals|tank size|volume|tank capacity|litres|liters|capacity gal"
        "|tank gallons|size gal|storage",
        "input_btu_h": "input|btu|btuh|btu/h|btu/hr|btu input|input rating|heat input|kw|wattage|watts|input btu"
        "|burner input|mbh|input btu h|element size",
        "energy_factor": "energy factor|ef|uef|efficiency|uniform energy factor",
        "made": "made|manufactured|date made|mfg date|mfr date|manufacture date|date of manufacture|build date"
        "|year made|manufactured on|year manufactured|year of manufacture|dom",
        "installed": "installed|install date|installed on|date installed|installation date|inst date|install|in service"
        "|in service date|inst|inst.|install yr|install year|year installed|yr installed|date in service|put in"
        "|commissioned|date of installation|installation|in since|date in|in date|in",
        "age": "age|age yrs|age (yrs)|age years|how old|years old|approx age|age of unit",
        "removed": "removed|date removed|removal date|removed on|ended|end date|ended on|replaced on|date replaced"
        "|replacement date|out of service|out of service date|retired|retired on|decommissioned|taken out|date out"
        "|failed on|failure date|date failed|replaced",
        "ending": "ending|status|reason|reason removed|why removed|end reason|cause|failure|reason for removal"
        "|reason replaced|reason for replacement|condition|cause of ending|failure mode|why|outcome",
        "warranty_years": "warranty|warranty years|warranty yrs|warranty (yrs)|tank warranty|wty|warr",
        "anode_kind": "anode|anode type|anode kind|anode rod|rod type|anode material",
        "anode_count": "anodes|anode count|number of anodes|no of anodes|# anodes|anode qty",
        "setpoint_f": "set point|setpoint|temp|temperature|set temp|thermostat|temp setting|temperature setting|stat"
        "|thermostat setting|set temperature|set-point|outlet temp",
        "relief_valve_psi": "relief valve|t&p|tp valve|t&p valve|t&p psi|relief valve rating|relief valve psi|t&p rating"
        "|prv rating|relief pressure",
        "relief_valve_btu_h": "relief valve btu|t&p btu|relief valve btu h|relief capacity",
        "vent_kind": "vent|vent type|venting|vent kind|flue|flue type",
        "recirculation": "recirc|recirculation|recirc pump|recirculating|recirculation loop|hot water loop|recirc?",
        "homes_served": "homes served|units served|apartments served|apts served|serves|homes|dwellings|dwellings served"
        "|no of homes|units",
        "notes": "notes|note|comments|comment|remarks|remark|other|misc",
    },
    "service": _PLACE
    | {
        "tag": "tag|tag no|tag #|heater|heater id|heater no|heater #|heater tag|wh #|wh no|wh id|id|asset"
        "|asset id|asset #|asset tag|unit id|equipment id|unit tag|unit|number|no|#",
        "work": "work|work done|service|service type|type|kind|kind of work|job|task|what|what was done|description"
        "|activity|action|service performed|work performed|maintenance|maintenance type|done",
        "done": "date|done on|date done|service date|visit date|when|completed|completed on|date completed|performed on"
        "|date of service|work date",
        "anode_left_fraction": "anode left|anode remaining|anode %|% anode left|rod left|anode left %|% left|anode left fraction"
        "|anode condition|rod remaining",
        "setpoint_f": "set point|setpoint|temp|temperature|set temp|new set point|new setpoint|temp set to|temperature set",
        "cost": "cost|price|amount|invoice|total|charge|$",
        "done_by": "by|done by|who|technician|tech|plumber|vendor|contractor|performed by|company",
        "notes": "notes|note|comments|comment|remarks|findings|remark",
    },
    "properties": {"property": _PLACE["property"] + "|name"} | _PROPERTY,
    "water": {name: _PLACE[name] for name in ("property", "building")}
    | {
        "treatment": "treatment|raw/softened|softened|softened?|water type|supply|sample|sample type|treated|type",
        "tested": "date|tested|tested on|test date|date tested|sample date|sampled|sampled on|date sampled|when",
        "hardness_mg_l": "hardness|total hardness|hard|water hardness|th|hardness mg l",
        "calcium_mg_l": "calcium|ca|calcium hardness|calcium mg l",
        "alkalinity_mg_l": "alkalinity|alk|total alkalinity|m alkalinity|ta|alkalinity mg l",
        "ph": "ph|ph value|acidity",
        "dissolved_solids_mg_l": "tds|dissolved solids|total dissolved solids|dissolved solids mg l",
        "conductivity_us_cm": "conductivity|ec|cond|specific conductance|conductance|conductivity us cm",
        "chloride_mg_l": "chloride|cl|chlorides|chloride mg l",
        "sulfate_mg_l": "sulfate|sulphate|so4|sulfates|sulphates|sulfate mg l",
        "temperature_c": "temperature|temp|water temperature|cold water temp|inlet temp|temperature c|supply temp",
    },
}
DATE_FIELDS = frozenset(
    {"made", "installed", "removed", "done", "tested", "softened_since", "records_since", *LAST_WORK}
)
# A sheet without one of these cannot be of that kind.
NEEDED: dict[SheetKind, tuple[frozenset[str], ...]] = {
    "heaters": (frozenset({"position", "tag"}), frozenset({"kind", "fuel", "capacity_gal"})),
    "service": (frozenset({"tag", "position"}), frozenset({"work"}), frozenset({"done"})),
    "properties": (
        frozenset({"property"}),
        frozenset({"address", "time_zone", "fiscal_year_start_month", "code_family", "records_since"}),
    ),
    "water": (
        frozenset({"property", "building"}),
        frozenset({"hardness_mg_l", "ph", "conductivity_us_cm", "dissolved_solids_mg_l", "alkalinity_mg_l"}),
    ),
}
# What looks for phrases in a heading takes time with the square of its length.
LONGEST_HEADING = 200
UNIT_HEADINGS = {"litres": "l", "liters": "l", "kw": "kw", "wattage": "w", "watts": "w", "mbh": "mbh"}


def plain(heading: str) -> str:
    """A heading without case, underscores, colons and doubled spaces. Of a very long one the beginning counts."""
    words = re.sub(r"[_\s]+", " ", heading[:LONGEST_HEADING].casefold()).strip(" :*.")
    return words


@lru_cache(maxsize=4096)
def split_unit(heading: str) -> tuple[str, str]:
    """'Capacity (L)' -> ('capacity', 'l'); 'Hardness, gpg' -> ('hardness', 'gpg')."""
    words = plain(heading)
    match = re.fullmatch(r"(.+?)\s*[\(\[]([^)\]]*)[\)\]]", words) or re.fullmatch(
        r"(.+?),\s*(\S+(?: \S+)?)", words
    )
    if match:
        return match[1].strip(" :*."), match[2].strip()
    return words, UNIT_HEADINGS.get(words, "")


@lru_cache(maxsize=8)
def _by_synonym(kind: SheetKind) -> dict[str, str]:
    found: dict[str, str] = {}
    for name, words in SYNONYMS[kind].items():
        found.setdefault(plain(name), name)
        for word in words.split("|"):
            found.setdefault(word, name)
    return found


def fields_of(kind: SheetKind) -> tuple[str, ...]:
    return tuple(SYNONYMS[kind])


@dataclass(frozen=True)
class Match:
    """A column's meaning. Empty `field`: the column is left out."""

    field: str
    hint: str = ""

    @classmethod
    def written(cls, text: str) -> Match:
        name, _, hint = text.partition(":")
        return cls(name.strip(), hint.strip())

    def __str__(self) -> str:
        return f"{self.field}:{self.hint}" if self.hint else self.field


def guess_column(heading: str, kind: SheetKind) -> Match:
    """The likeliest field: the whole heading, the heading without its unit, then its longest known phrase."""
    synonyms = _by_synonym(kind)
    whole = plain(heading)
    if heading in (REFUSED_BECAUSE, ROW_IN_FILE):
        return Match("")
    bare, unit = split_unit(heading)
    if whole in synonyms:
        return Match(synonyms[whole], UNIT_HEADINGS.get(whole, ""))
    if bare in synonyms:
        return Match(synonyms[bare], unit)
    words = bare.split()
    for length in range(len(words) - 1, 0, -1):
        for start in (0, len(words) - length):
            phrase = " ".join(words[start : start + length])
            if len(phrase) > 2 and phrase in synonyms:
                rest = " ".join(words[start + length :]) if start == 0 else ""
                return Match(synonyms[phrase], unit or rest)
    return Match("")


def guess_columns(
    headings: Sequence[str], kind: SheetKind, remembered: Mapping[str, str] | None = None
) -> dict[str, Match]:
    """One meaning a heading. What a person mended earlier wins; a field is given to one column only."""
    remembered = remembered or {}
    matches: dict[str, Match] = {}
    taken: set[str] = set()
    for heading in headings:
        if heading and plain(heading) in remembered:
            matches[heading] = Match.written(remembered[plain(heading)])
            taken.add(matches[heading].field)
    exact_first = sorted(
        (heading for heading in headings if heading and heading not in matches),
        key=lambda heading: (
            plain(heading) not in _by_synonym(kind) and split_unit(heading)[0] not in _by_synonym(kind)
        ),
    )
    for heading in exact_first:
        match = guess_column(heading, kind)
        matches[heading] = Match("") if match.field in taken else match
        taken.add(match.field)
    return {heading: matches[heading] for heading in headings if heading in matches}


def guess_kind(
    sheet_name: str, headings: Sequence[str], remembered: Mapping[str, str] | None = None
) -> SheetKind | None:
    """What kind of sheet this is, by the fields its headings give and by its name; None when it is none of them."""
    best: tuple[int, SheetKind] | None = None
    name = plain(sheet_name)
    for kind in KINDS:
        found = {match.field for match in guess_columns(headings, kind, remembered).values()}
        found &= set(SYNONYMS[kind])
        if any(not (needed & found) for needed in NEEDED[kind]):
            continue
        score = len(found) + (3 if any(word in name for word in SHEET_WORDS[kind]) else 0)
        if best is None or score > best[0]:
            best = (score, kind)
    return best[1] if best else None


def known_headings(cells: Sequence[str]) -> int:
    """How many of these cells are headings of any kind of sheet: finds the heading row below a title."""
    best = 0
    for kind in KINDS:
        synonyms = _by_synonym(kind)
        best = max(
            best, sum(1 for cell in cells if plain(cell) in synonyms or split_unit(cell)[0] in synonyms)
        )
    return best
