"""Reading dates as people write them: '2012?', 'Spring 2014', '3/4/15', '12 yrs old', a spreadsheet's day number.

The order of day and month is a matter of a whole column, never guessed for one row.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from datetime import date, datetime, timedelta
from functools import lru_cache
from typing import Literal

from fleet.heaters.dates import (
    UNKNOWN,
    UNKNOWN_WORDS,
    AmbiguousDate,
    DayMonthOrder,
    ImpreciseDate,
    UnreadableValue,
    from_age,
    last_of_month,
    months_before,
)

FIRST_YEAR = 1900
EXCEL_EPOCH = date(1899, 12, 30)
# Serials outside these are far more likely to be an age, a year or a typing slip than a day: 1954 to 2099.
EXCEL_SERIALS = range(20_000, 73_051)
SHOWN_EXAMPLES = "a date such as 2015-04-03, Apr 2015, 2015, ~2015, spring 2014, 12 yrs old or unknown"

MONTHS = {
    name: number
    for number, names in enumerate(
        (
            ("jan", "january"),
            ("feb", "february"),
            ("mar", "march"),
            ("apr", "april"),
            ("may",),
            ("jun", "june"),
            ("jul", "july"),
            ("aug", "august"),
            ("sep", "sept", "september"),
            ("oct", "october"),
            ("nov", "november"),
            ("dec", "december"),
        ),
        start=1,
    )
    for name in names
}
# First and last month of each part of a year. Winter is apart: it belongs to two years.
YEAR_PARTS = {
    "spring": (3, 5),
    "summer": (6, 8),
    "fall": (9, 11),
    "autumn": (9, 11),
    "early": (1, 4),
    "mid": (5, 8),
    "late": (9, 12),
    "q1": (1, 3),
    "q2": (4, 6),
    "q3": (7, 9),
    "q4": (10, 12),
}

_SLASHED = re.compile(
    r"(\d{1,2})\s*[/.\-]\s*(\d{1,2})\s*[/.\-]\s*(\d{4}|\d{2})(?:[ T](?!(?:to|and|or|-) ).*)?"
)
_BETWEEN_DAYS = re.compile(r" (?:to|and|or|-) ")


def order_evidence(value: object) -> DayMonthOrder | Literal["either"] | None:
    """What one value says about its column: first number past 12 means the day comes first, and so on.

    None when the value has no such question (2015-04-03, 'May 2014', 4/4/15).
    """
    if not isinstance(value, str):
        return None
    found = {_evidence(part) for part in _BETWEEN_DAYS.split(value.strip())} - {None}
    decided = found - {"either"}
    return decided.pop() if len(decided) == 1 else "either" if found else None


def _evidence(written: str) -> DayMonthOrder | Literal["either"] | None:
    match = _SLASHED.fullmatch(written.strip("~? "))
    if match is None:
        return None
    first, second = int(match[1]), int(match[2])
    if first == second or (first > 12 and second > 12):
        return None
    if first > 12:
        return "dmy"
    if second > 12:
        return "mdy"
    return "either"


def column_order(values: Iterable[object]) -> DayMonthOrder | Literal["ask", "not needed"]:
    """The day/month order of a whole column, or that a person has to be asked.

    Asked when nothing in the column decides it, and also when its rows contradict each other.
    """
    seen: set[str] = {evidence for value in set(values) if (evidence := order_evidence(value)) is not None}
    if not seen:
        return "not needed"
    if "mdy" in seen and "dmy" in seen:
        return "ask"
    if "dmy" in seen:
        return "dmy"
    return "mdy" if "mdy" in seen else "ask"


def parse_date(
    value: object, as_of: date, order: DayMonthOrder | None = None, *, allow_future: bool = False
) -> ImpreciseDate:
    """Read one value. `as_of` is the day the file speaks from: ages count back from it, later days are refused.

    Raises UnreadableValue, or AmbiguousDate when `order` would be needed to read it.
    """
    if value is None:
        return UNKNOWN
    if isinstance(value, datetime):
        value = value.date()
    if isinstance(value, bool):
        raise UnreadableValue(f"{value} is not a date", SHOWN_EXAMPLES)
    if isinstance(value, date):
        return _checked(ImpreciseDate.day(value), str(value), as_of, allow_future)
    if isinstance(value, (int, float)):
        return _checked(_from_number(float(value)), f"{value:g}", as_of, allow_future)
    return _parse_text(str(value), as_of, order, allow_future)


@lru_cache(maxsize=65_536)
def _parse_text(text: str, as_of: date, order: DayMonthOrder | None, allow_future: bool) -> ImpreciseDate:
    written = text.strip()
    words = " ".join(written.casefold().replace("\u2013", "-").replace("\u2019", "'").split())
    if words in UNKNOWN_WORDS:
        return UNKNOWN
    for reader in (
        _read_iso,
        _read_age,
        _read_number,
        _read_slashed,
        _read_month_name,
        _read_part,
        _read_span,
    ):
        try:
            found = reader(words, as_of, order)
        except UnreadableValue:
            raise
        except ValueError as error:
            raise UnreadableValue(f"'{written}' is not a day in the calendar", SHOWN_EXAMPLES) from error
        if found is not None:
            return _checked(found, written, as_of, allow_future)
    bare, doubtful = re.subn(
        r"^(?:~|circa|ca?\.?(?=[\s\d])|about|approx\.?|around|abt\.?|est\.?)\s*|\s*\(?\?+\)?$", "", words
    )
    if doubtful and bare != words:
        return _checked(_loosened(_parse_text(bare, as_of, order, True)), written, as_of, allow_future)
    raise UnreadableValue(f"'{written}' cannot be read as a date", SHOWN_EXAMPLES)


def _checked(found: ImpreciseDate, written: str, as_of: date, allow_future: bool) -> ImpreciseDate:
    if found.earliest is None:
        return found
    if found.earliest.year < FIRST_YEAR:
        raise UnreadableValue(f"'{written}' is before {FIRST_YEAR}", SHOWN_EXAMPLES)
    if not allow_future and found.earliest > as_of:
        raise UnreadableValue(f"'{written}' is in the future", f"a date no later than {as_of.isoformat()}")
    return found


def _loosened(known: ImpreciseDate) -> ImpreciseDate:
    """What 'about' adds: a year on each side of a year, a month on each side of a day or a month."""
    if known.earliest is None or known.latest is None:
        return known
    months = 12 if (known.latest - known.earliest).days > 40 else 1
    latest = months_before(known.latest, -months)
    if known.precision in ("month", "year"):
        latest = last_of_month(latest.year, latest.month)
    return ImpreciseDate(months_before(known.earliest, months), latest, "between", from_age=known.from_age)


def _full_year(digits: str, as_of: date) -> int:
    if len(digits) == 4:
        return int(digits)
    year = 2000 + int(digits)
    return year if year <= as_of.year + 5 else year - 100


def _from_number(number: float) -> ImpreciseDate:
    if number.is_integer() and FIRST_YEAR <= number <= 2100:
        return ImpreciseDate.year(int(number))
    if int(number) in EXCEL_SERIALS:
        return ImpreciseDate.day(EXCEL_EPOCH + timedelta(days=int(number)))
    raise UnreadableValue(f"{number:g} is neither a year nor a spreadsheet's day number", SHOWN_EXAMPLES)


def _read_iso(words: str, as_of: date, order: DayMonthOrder | None) -> ImpreciseDate | None:
    match = re.fullmatch(r"(\d{4})[-/.](\d{1,2})(?:[-/.](\d{1,2})(?:[ t]\d.*)?)?", words)
    if match is None:
        return None
    if match[3] is None:
        return ImpreciseDate.month(int(match[1]), int(match[2])) if 1 <= int(match[2]) <= 12 else None
    return ImpreciseDate.day(date(int(match[1]), int(match[2]), int(match[3])))


def _read_age(words: str, as_of: date, order: DayMonthOrder | None) -> ImpreciseDate | None:
    match = re.fullmatch(
        r"(?P<about>~|about |approx\.? |around |circa )?\s*(?P<number>\d+(?:\.\d+)?)\s*"
        r"(?P<unit>y|yr|yrs|yr\.|yrs\.|year|years|yo|y/o|y\.o\.|m|mo|mos|month|months)"
        r"(?:[ -]?(?:old|of age|ago))?\s*(?P<doubt>\?+)?",
        words,
    )
    if match is None:
        return None
    number = float(match["number"])
    about = bool(match["about"] or match["doubt"])
    if match["unit"].startswith("m"):
        if number > 1440:
            raise UnreadableValue(f"an age of {number:g} months cannot be", "an age from 0 to 1440 months")
        whole, slack = int(number), 12 if about else 0
        earliest = months_before(as_of, whole + 1 + slack) + timedelta(days=1)
        latest = months_before(as_of, max(0, whole - slack))
        return ImpreciseDate(min(earliest, latest), latest, "between", from_age=True)
    return from_age(number, as_of, about)


def _read_number(words: str, as_of: date, order: DayMonthOrder | None) -> ImpreciseDate | None:
    if re.fullmatch(r"\d{4,5}(?:\.\d+)?", words):
        return _from_number(float(words))
    if match := re.fullmatch(r"'(\d{2})", words):
        return ImpreciseDate.year(_full_year(match[1], as_of))
    return None


def _read_slashed(words: str, as_of: date, order: DayMonthOrder | None) -> ImpreciseDate | None:
    if match := re.fullmatch(r"(\d{1,2})[/.\-](\d{4})", words):
        return ImpreciseDate.month(int(match[2]), int(match[1])) if 1 <= int(match[1]) <= 12 else None
    match = _SLASHED.fullmatch(words)
    if match is None:
        return None
    first, second, year = int(match[1]), int(match[2]), _full_year(match[3], as_of)
    if first == second:
        return ImpreciseDate.day(date(year, first, second))
    if order is None:
        evidence = order_evidence(words)
        if evidence == "either":
            raise AmbiguousDate(
                f"'{words}' can be {date(year, first, second):%-d %B} or {date(year, second, first):%-d %B}",
                "say once for the column whether the month or the day comes first, or write 2015-04-03",
            )
        order = evidence or "mdy"
    month, day = (first, second) if order == "mdy" else (second, first)
    if month > 12:
        first_word = "month" if order == "mdy" else "day"
        raise UnreadableValue(
            f"'{words}' has no month {month}",
            f"the {first_word} first, as in the rest of this column, or a date such as 2015-04-03",
        )
    return ImpreciseDate.day(date(year, month, day))


def _read_month_name(words: str, as_of: date, order: DayMonthOrder | None) -> ImpreciseDate | None:
    cleaned = words.replace(",", " ").replace(".", " ")
    pieces = [piece for piece in re.split(r"[\s\-/]+", cleaned) if piece and piece != "of"]
    named = [index for index, piece in enumerate(pieces) if piece in MONTHS]
    if len(named) != 1 or not 2 <= len(pieces) <= 3:
        return None
    month = MONTHS[pieces[named[0]]]
    others = [re.sub(r"(?<=\d)(?:st|nd|rd|th)$", "", p) for i, p in enumerate(pieces) if i != named[0]]
    if len(others) == 1:
        return _month_and_year(words, month, others[0], as_of)
    if all(re.fullmatch(r"'?\d{1,4}", other) for other in others):
        day, year = (others[1], others[0]) if len(others[0]) == 4 else (others[0], others[1])
        year = year.lstrip("'")
        if len(year) in (2, 4) and len(day) <= 2:
            return ImpreciseDate.day(date(_full_year(year, as_of), month, int(day)))
    return None


def _month_and_year(words: str, month: int, other: str, as_of: date) -> ImpreciseDate | None:
    if re.fullmatch(r"\d{4}", other):
        return ImpreciseDate.month(int(other), month)
    # 'Apr-15' and "Apr '15" are how spreadsheets and people shorten April 2015; 'Apr 15' may be a day.
    if re.fullmatch(r"[a-z]+\.?(?:-\d{2}| ?'\d{2})", words):
        return ImpreciseDate.month(_full_year(other.lstrip("'"), as_of), month)
    if re.fullmatch(r"\d{1,2}", other):
        raise UnreadableValue(f"'{words}' has no year", SHOWN_EXAMPLES)
    return None


def _read_part(words: str, as_of: date, order: DayMonthOrder | None) -> ImpreciseDate | None:
    if match := re.fullmatch(r"winter(?: of)? (\d{4})\s*[/-]\s*(\d{4}|\d{2})", words):
        first = int(match[1])
        return ImpreciseDate.between(date(first, 12, 1), last_of_month(first + 1, 2))
    if match := re.fullmatch(r"(?:winter(?: of)?,? (\d{4})|(\d{4}),? winter)", words):
        # The winter that ends in that year or the one that begins in it: both are meant by someone.
        year = int(match[1] or match[2])
        return ImpreciseDate.between(date(year - 1, 12, 1), last_of_month(year + 1, 2))
    names = "|".join(YEAR_PARTS)
    match = re.fullmatch(rf"({names})[\s,-]*(?:of |in )?(\d{{4}})", words)
    name, year_digits = (match[1], match[2]) if match else ("", "")
    if match is None and (turned := re.fullmatch(rf"(\d{{4}})[\s,-]*({names})", words)):
        name, year_digits = turned[2], turned[1]
    if not name:
        return None
    first_month, last_month = YEAR_PARTS[name]
    year = int(year_digits)
    return ImpreciseDate.between(date(year, first_month, 1), last_of_month(year, last_month))


def _read_span(words: str, as_of: date, order: DayMonthOrder | None) -> ImpreciseDate | None:
    if match := re.fullmatch(r"(\d{4})'?s", words):
        decade = int(match[1])
        if decade % 10:
            return None
        return ImpreciseDate.between(date(decade, 1, 1), date(decade + 9, 12, 31))
    if re.match(r"(?:before|pre|prior|after|since|older|newer|<|>)", words):
        raise UnreadableValue(f"'{words}' has only one end", "both ends, such as 2005 to 2009")
    match = re.fullmatch(r"(?:between |from )?(.{4,}?) (?:to|and|or|-) (.{4,})", words) or re.fullmatch(
        r"(\d{4})\s*[-/]\s*(\d{4})", words
    )
    if match is None:
        return None
    evidence = order or order_evidence(words)  # one end may say for both which comes first
    order = None if evidence == "either" else evidence
    start, end = (_parse_text(part, as_of, order, True) for part in (match[1], match[2]))
    if start.earliest is None or end.latest is None:
        return None
    if start.earliest > end.latest:
        raise UnreadableValue(
            f"'{words}' ends before it begins", "the earlier date first, such as 2005 to 2009"
        )
    return ImpreciseDate.between(start.earliest, end.latest)
