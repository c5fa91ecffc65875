"""Long lists cut into leaves: which rows stand on one is found by their numbers alone, and only these are read.

To put tens of thousands of rows in order with all their columns and names of places takes longer than the rest of the page.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

from django.core.paginator import Page, Paginator
from django.db.models import QuerySet


class Leaves(Paginator):  # type: ignore[type-arg]
    """Cuts rows that are in order; `read` gives what is shown of some of them, by number. A count is taken as given."""

    def __init__(
        self,
        rows: QuerySet[Any, Any],
        size: int,
        read: Callable[[list[int]], Mapping[int, Any]],
        count: int | None = None,
    ) -> None:
        super().__init__(rows, size)
        self.read = read
        if count is not None:
            self.count = count

    def page(self, number: int | str) -> Page:  # type: ignore[type-arg]
        valid = self.validate_number(number)
        first = (valid - 1) * self.per_page
        rows: Any = self.object_list
        numbers = list(rows.values_list("pk", flat=True)[first : first + self.per_page])
        shown = self.read(numbers)
        return Page([shown[one] for one in numbers if one in shown], valid, self)
