"""Passwords that were stolen elsewhere and published, which are tried first: looked up without asking anybody.

ALMANAC_LEAKED_PASSWORDS names a file of SHA-1 digests in ascending order, one a line in hexadecimal, each perhaps with a
colon and a count behind it: the form in which such lists are given out. It may have many gigabytes; a look-up reads
some forty lines of it.
"""

from __future__ import annotations

import hashlib
import os
from typing import BinaryIO

from django.core.exceptions import ValidationError

DIGEST_LETTERS = 40


class LeakedPasswordValidator:
    """Refuses a password that stands in the operator's list."""

    def __init__(self, path: str) -> None:
        self.path = path

    def validate(self, password: str, user: object = None) -> None:
        # SHA-1 because the lists are made so: it guards nothing here.
        digest = hashlib.sha1(password.encode(), usedforsecurity=False).hexdigest().upper().encode()
        with open(self.path, "rb") as found:
            if stands_in(found, digest):
                raise ValidationError(
                    "This password was stolen somewhere and stands in published lists, which are tried first. "
                    "Choose another one.",
                    code="leaked",
                )

    def get_help_text(self) -> str:
        return "Not one that was stolen elsewhere and published."


def stands_in(file: BinaryIO, digest: bytes) -> bool:
    """Whether a line begins with the digest, by halving. The wanted line begins at `low` or behind it, before `high`."""
    low, high = 0, file.seek(0, os.SEEK_END)
    while low < high:
        middle = (low + high) // 2
        start = _line_from(file, middle)
        line = file.readline()[:DIGEST_LETTERS].upper()
        if start >= high or not line or line > digest:
            high = middle
        elif line == digest:
            return True
        else:
            low = file.tell()
    return False


def _line_from(file: BinaryIO, place: int) -> int:
    """Where the first line begins that does not begin before this place; the file then stands there."""
    file.seek(max(place - 1, 0))
    if place > 0:
        file.readline()
    return file.tell()
