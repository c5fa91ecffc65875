"""The notice of a planned hot-water interruption, in the property's languages: for the wall and for the mail."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from urllib.parse import quote

from django.utils import formats, translation

from fleet.care.card_words import OWN, TRANSLATED, words_of
from fleet.care.models import SiteCare, Visit
from fleet.care.selectors import minutes_without_hot_water
from fleet.pages.words import a_day


@dataclass(frozen=True)
class Part:
    language: str
    heading: str
    day: str
    lines: tuple[str, ...]
    translated: bool


@dataclass(frozen=True)
class Notice:
    place: str
    day: date
    contact: str
    parts: tuple[Part, ...]

    @property
    def text(self) -> str:
        """Ready to be mailed."""
        blocks = [self.place]
        for part in self.parts:
            lines = [part.heading.upper(), part.day, *part.lines, *([TRANSLATED] if part.translated else [])]
            blocks.append("\n".join(lines))
        return "\n\n".join(blocks) + "\n"

    @property
    def mail_link(self) -> str:
        subject = f"{self.parts[0].heading}, {self.place}, {self.parts[0].day}"
        return f"mailto:?subject={quote(subject)}&body={quote(self.text)}"


def languages_of(property_id: int) -> list[str]:
    row = SiteCare.objects.filter(property_id=property_id).first()
    return list(row.languages) if row else []


def day_in(language: str, day: date) -> str:
    """With its name, as the language writes it: 'Monday, 1 Jun 2026', 'lunes, 1 de junio de 2026'."""
    if language == OWN:
        return f"{day:%A}, {a_day(day)}"
    with translation.override(language):
        return f"{formats.date_format(day, 'l')}, {formats.date_format(day, 'DATE_FORMAT')}"


def notice_of(visit: Visit) -> Notice:
    place = visit.building.property
    minutes = minutes_without_hot_water(visit)
    parts = []
    for code, words in words_of(languages_of(place.pk)):
        work = words["notice_off"].format(minutes=minutes) if minutes else words["notice_on"]
        lines = [work, *([words["notice_after"]] if minutes else []), words["notice_way"]]
        if place.emergency_contact:
            lines.append(f"{words['questions']} {place.emergency_contact}")
        parts.append(Part(code, words["notice_heading"], day_in(code, visit.day), tuple(lines), code != OWN))
    return Notice(f"{place.name}, {visit.building.name}", visit.day, place.emergency_contact, tuple(parts))
