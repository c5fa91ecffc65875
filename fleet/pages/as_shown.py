"""Forms of rows that two people may have open at once: the second to save is told, and overwrites nothing unseen."""

from __future__ import annotations

import hashlib
from typing import Any

from django import forms
from django.core.exceptions import ValidationError

CHANGED_MEANWHILE = (
    "Somebody else saved this after you opened it. What you typed stands below. Look at the page as it is now; to put "
    "yours in its place, save once more."
)


class AsShown:
    """Mixed into a ModelForm, before it. What the row held when its page was drawn goes along, as a digest."""

    fields: Any
    initial: Any
    instance: Any
    data: Any

    def keep_what_is_shown(self) -> None:
        if self.instance.pk:
            held = [getattr(self.instance, field.attname) for field in self.instance._meta.concrete_fields]
            self.fields["as_shown"] = forms.CharField(widget=forms.HiddenInput, required=False)
            self.initial["as_shown"] = hashlib.sha256(repr(held).encode()).hexdigest()[:16]

    def clean(self) -> Any:
        found = super().clean()  # type: ignore[misc]
        sent = (found or {}).get("as_shown")
        if sent and sent != self.initial["as_shown"]:
            self.data = self.data.copy()
            self.data["as_shown"] = self.initial["as_shown"]
            raise ValidationError(CHANGED_MEANWHILE)
        return found
