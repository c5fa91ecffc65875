"""The user guide as data: each user's steps, with the page each happens on and its picture."""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

from django.conf import settings
from django.contrib.staticfiles import finders
from django.urls import resolve


@dataclass(frozen=True)
class Step:
    title: str
    text: str
    address: str
    shows: str
    picture: str
    phone: bool = False
    at: str = ""

    @property
    def image(self) -> str:
        """The picture's static path; nothing while it has not been made."""
        path = f"pages/guide/{self.picture}.webp"
        return path if finders.find(path) else ""

    @property
    def link(self) -> str:
        return "" if "{" in self.address else self.address

    @property
    def need(self) -> str:
        """What the page behind the link asks of its reader."""
        if not self.link:
            return ""
        view: Any = resolve(self.address).func
        return str(view.need.value)


@dataclass(frozen=True)
class User:
    name: str
    role: str
    asks: str
    steps: tuple[Step, ...]

    @property
    def is_company(self) -> bool:
        return "company" in self.role

    @property
    def anchor(self) -> str:
        return self.name.lower().replace(" ", "-")


@lru_cache
def users() -> tuple[User, ...]:
    text = (settings.ROOT / "fixtures" / "guide.toml").read_text(encoding="utf-8")
    return tuple(
        User(row["name"], row["role"], row["asks"], tuple(Step(**step) for step in row["step"]))
        for row in tomllib.loads(text)["user"]
    )
