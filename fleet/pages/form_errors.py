"""A verb's refusal shown beside the field that it is about."""

from __future__ import annotations

from typing import Any

from django.core.exceptions import ValidationError


def show_refusal(form: Any, error: ValidationError) -> None:
    if not hasattr(error, "error_dict"):
        form.add_error(None, error)
        return
    for name, found in error.error_dict.items():
        form.add_error(name if name in form.fields else None, found)
