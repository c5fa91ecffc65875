"""Numbers of rows as browsers send them."""

from __future__ import annotations

from collections.abc import Iterable


def row_number(text: str) -> int:
    """The number written; 0, which no row has, where it is none or larger than any can be."""
    return int(text) if text.isascii() and text.isdigit() and len(text) < 19 else 0


def row_numbers(texts: Iterable[str]) -> list[int]:
    """The numbers written, without what is none."""
    return [number for number in map(row_number, texts) if number]
