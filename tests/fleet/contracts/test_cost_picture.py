"""The words of the picture's lines: none is crossed by the other line."""

from __future__ import annotations

from typing import Any

from fleet.contracts.pictures import priced_costs

ROWS = [{"low": at, "high": at + 10, "share": 0.1} for at in range(0, 100, 10)]


def sides(*marks: float) -> list[Any]:
    drawn = priced_costs(ROWS, [{"at": at, "words": "x"} for at in marks])["layer"]
    return [layer["mark"]["align"] for layer in drawn if layer["mark"]["type"] == "text"]


def test_the_lower_lines_words_stand_to_its_left_where_there_is_room() -> None:
    assert sides(45, 60) == ["right", "left"]
    assert sides(60, 45) == ["left", "right"]
    assert sides(10, 60) == ["left", "left"]
    assert sides(45) == ["left"]
