"""Amounts and shares as people type them: 2,700.50 and 2700.5 are one amount, and a share's field is in per cent."""

from __future__ import annotations

import re
from decimal import Decimal, InvalidOperation

_GROUPED = re.compile(r"[-+]?[1-9]\d{0,2}(?:,\d{3})+(?:\.\d*)?")
_COMMA = re.compile(r"[-+]?(?:0?,\d+|\d+,(?:\d{1,2}|\d{4,}))")  # not three digits: that might be thousands
PERCENT_IS_PERCENT = "Shares and rates are in per cent: 3 and 3 % are three per cent, 0.5 is half a per cent."


def amount_of(typed: object) -> Decimal | None:
    """The number that was typed, its thousands apart or not; None where it is none or can be read in two ways."""
    text = re.sub(r"[\s$]", "", str(typed))
    if _GROUPED.fullmatch(text):
        text = text.replace(",", "")
    elif _COMMA.fullmatch(text):
        text = text.replace(",", ".")
    try:
        return Decimal(text)
    except InvalidOperation:
        return None


def same(one: str, other: str) -> bool:
    """Whether two texts mean one amount, however they are written."""
    first, second = amount_of(one.strip().rstrip("%")), amount_of(other.strip().rstrip("%"))
    return one.strip() == other.strip() if first is None or second is None else first == second


def grouped(amount: Decimal, least_digits: int = 0) -> str:
    """As one would type it, with its thousands apart: 1,500, 95, 0.75."""
    whole, _, part = f"{amount:,f}".partition(".")
    part = part.rstrip("0").ljust(least_digits, "0")
    return f"{whole}.{part}" if part else whole


def read_as(label: str, typed: str) -> str:
    """What a small share without a per cent sign was read as: who thinks in fractions sees it at once. Else empty."""
    share = amount_of(typed)
    if share is None or not 0 < share < 1:
        return ""
    return f"{label}: {typed.strip()} was read as {share:f} %. If {grouped(share * 100)} % was meant, write {grouped(share * 100)}."
