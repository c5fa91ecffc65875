"""The words of the card and of the notice, by language: data in fixtures/card_words.toml, whole or refused."""

from __future__ import annotations

import tomllib
from collections.abc import Iterable, Mapping
from functools import cache
from pathlib import Path

FILE = Path(__file__).resolve().parents[2] / "fixtures" / "card_words.toml"
OWN = "en"
TRANSLATED = "This translation is ours, not checked by a sworn translator; the site has it checked."


class BadWords(ValueError):
    """A language lacks a sentence; the message names language and sentence."""


def read_words(path: Path) -> dict[str, Mapping[str, str]]:
    found: dict[str, Mapping[str, str]] = tomllib.loads(path.read_text(encoding="utf-8"))
    for code, words in found.items():
        missing = {name for name in found[OWN] if not words.get(name)} | set(words) - set(found[OWN])
        if missing:
            raise BadWords(f"Language {code}: {', '.join(sorted(missing))} differ from the English words.")
    return found


@cache
def all_words() -> Mapping[str, Mapping[str, str]]:
    return read_words(FILE)


def languages() -> dict[str, str]:
    """The languages beside English, by code."""
    return {code: words["name"] for code, words in all_words().items() if code != OWN}


def words_of(codes: Iterable[str]) -> list[tuple[str, Mapping[str, str]]]:
    """English first, then the wanted languages that are known, each once."""
    wanted = [OWN, *(code for code in codes if code in all_words() and code != OWN)]
    return [(code, all_words()[code]) for code in dict.fromkeys(wanted)]
