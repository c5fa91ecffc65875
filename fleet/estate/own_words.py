"""Words of this house that make no password: the product's, the trade's and the organisation's own name."""

from __future__ import annotations

import re

from django.core.exceptions import ValidationError

from fleet.estate.models import Membership, Person

OWN_WORDS = frozenset(
    {
        "almanac",
        "boiler",
        "building",
        "heater",
        "maintenance",
        "plumber",
        "plumbing",
        "property",
        "tank",
        "water",
    }
)
# What has to be left of a password once these words are taken out.
LEAST_LETTERS_BESIDE = 5


class OwnWordsValidator:
    """Refuses a password that is little more than such words, as `TankAlmanac2026` is."""

    def validate(self, password: str, user: Person | None = None) -> None:
        rest = password.casefold()
        for word in sorted(OWN_WORDS | self._names(user), key=len, reverse=True):
            rest = rest.replace(word, "")
        if rest != password.casefold() and len(re.sub(r"[\W\d_]", "", rest)) < LEAST_LETTERS_BESIDE:
            raise ValidationError(
                "This password is little more than words that everybody here would try. Add words of your own.",
                code="own_words",
            )

    @staticmethod
    def _names(user: Person | None) -> set[str]:
        if user is None or user.pk is None:
            return set()
        names = Membership.objects.filter(person=user).values_list("organisation__name", flat=True)
        return {word for name in names for word in re.findall(r"\w{4,}", name.casefold())}

    def get_help_text(self) -> str:
        return "Not little more than the name of your organisation, or words such as tank and water heater."
