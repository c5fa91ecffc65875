"""The notice of a planned hot-water interruption, in the property's languages: for the wall and for the mail."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from urllib.parse import quote

from django.utils import formats, translation

from fleet.care.card_words import OWN, TRANSLATED, words_of
from fleet.care.models import SiteCare, Visit
from fleet.care.selectors import minutes_without_hot_water


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
    """In words, whoever prints it: 'Monday, 1 June 2026', 'lunes, 1 de junio de 2026'."""
    if language == OWN:
        return f"{day:%A, %-d %B %Y}"
    with translation.override(language):
        return f"{formats.date_format(day, 'l')}, {formats.date_format(day, 'DATE_FORMAT')}"


def time_in(words: Mapping[str, str], minutes: int) -> str:
    """As the language says it: '40 minutes', '2 hours and 40 minutes', '2 horas y 40 minutos'."""
    hours, rest = divmod(minutes, 60)
    said = [f"{hours} {words['one_hour' if hours == 1 else 'hours']}"] if hours else []
    if rest or not hours:
        said.append(f"{rest} {words['one_minute' if rest == 1 else 'minutes']}")
    return f" {words['joined_by']} ".join(said)


def notice_of(visit: Visit) -> Notice:
    place = visit.building.property
    minutes = minutes_without_hot_water(visit)
    parts = []
    for code, words in words_of(languages_of(place.pk)):
        work = words["notice_off"].format(time=time_in(words, minutes)) if minutes else words["notice_on"]
        lines = [work, *([words["notice_after"]] if minutes else []), words["notice_way"]]
        if place.emergency_contact:
            lines.append(f"{words['questions']} {place.emergency_contact}")
        parts.append(Part(code, words["notice_heading"], day_in(code, visit.day), tuple(lines), code != OWN))
    return Notice(f"{place.name}, {visit.building.name}", visit.day, place.emergency_contact, tuple(parts))
