"""The pages' own `{% url %}` gives the addresses that Django's gives, however often and with whatever it is asked."""

from __future__ import annotations

from typing import Any

import pytest
from django.template import Context, Template
from django.urls import NoReverseMatch, reverse

CASES: list[tuple[str, dict[str, Any], tuple[Any, ...], dict[str, Any]]] = [
    ("'pages:heaters'", {}, (), {}),
    ("'pages:heater' row", {"row": 7}, (7,), {}),
    ("'pages:heater' row", {"row": 70_000_000_001}, (70_000_000_001,), {}),
    ("'pages:heater' row", {"row": "8"}, ("8",), {}),
    ("'pages:heater' pk=row", {"row": 9}, (), {"pk": 9}),
    ("name row", {"name": "care:task", "row": 0}, (0,), {}),
    ("'planning:capital_picture' row 'years'", {"row": 3}, (3, "years"), {}),
]


def written(words: str, values: dict[str, Any]) -> str:
    return Template(f"{{% url {words} %}}").render(Context(values))


@pytest.mark.parametrize(("words", "values", "arguments", "named"), CASES)
def test_an_address_is_the_same(
    words: str, values: dict[str, Any], arguments: tuple[Any, ...], named: dict[str, Any]
) -> None:
    name = values.get("name") or words.split("'")[1]
    for _ in range(2):
        assert written(words, values) == reverse(name, args=arguments, kwargs=named)


def test_one_row_is_not_led_to_another() -> None:
    assert [written("'pages:heater' row", {"row": row}) for row in (1, 2, 1)] == [
        reverse("pages:heater", args=[row]) for row in (1, 2, 1)
    ]


def test_it_can_be_kept_under_a_name() -> None:
    text = Template("{% url 'pages:building' 5 as there %}<{{ there }}>").render(Context())
    assert text == f"<{reverse('pages:building', args=[5])}>"


@pytest.mark.parametrize("words", ["'pages:nowhere'", "'pages:heater'", "'pages:heater' nothing"])
def test_an_address_that_is_none_is_an_error(words: str) -> None:
    with pytest.raises(NoReverseMatch):
        written(words, {"nothing": None})
