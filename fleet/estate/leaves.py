"""Long lists cut into leaves: which rows stand on one is found by their numbers alone, and only these are read.

To put tens of thousands of rows in order with all their columns and names of places takes longer than the rest of the
page; so does finding them twice, once to count them.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from typing import Any

from django.core.paginator import Page, Paginator
from django.db.models import Count, QuerySet, Window


class Leaves(Paginator):  # type: ignore[type-arg]
    """Cuts rows that are in order; `read` gives what is shown of some of them, by number.

    A count is taken as given; else they are counted by themselves, or, where to find them takes long, `at_once` with those
    of the leaf that is asked for.
    """

    def __init__(
        self,
        rows: QuerySet[Any, Any],
        size: int,
        read: Callable[[list[int]], Mapping[int, Any]],
        count: int | None = None,
        at_once: bool = False,
    ) -> None:
        super().__init__(rows, size)
        self.read = read
        self.found: dict[int, list[int]] = {}  # by leaf, the numbers on it
        self.at_once = at_once and count is None
        if count is not None:
            self.count = count

    def get_page(self, number: Any) -> Page:  # type: ignore[type-arg]
        if self.at_once:
            wanted = re.fullmatch(r"[1-9][0-9]{0,6}", str(number))
            self._find_and_count(int(wanted[0]) if wanted else 1)
        return super().get_page(number)

    def _find_and_count(self, number: int) -> None:
        """Beyond the last leaf nothing is found, and they are counted by themselves."""
        rows: Any = self.object_list
        first = (number - 1) * self.per_page
        counted = rows.annotate(of_all=Window(Count("pk"))).values_list("pk", "of_all")
        # By their count first, which is the same in all: PostgreSQL believes else that to find fifty is quick.
        counted = counted.order_by("of_all", *rows.query.order_by)
        if found := list(counted[first : first + self.per_page]):
            self.count = found[0][1]
            self.found = {number: [one for one, _ in found]}

    def page(self, number: int | str) -> Page:  # type: ignore[type-arg]
        valid = self.validate_number(number)
        numbers = self.found.get(valid)
        if numbers is None:
            rows: Any = self.object_list
            first = (valid - 1) * self.per_page
            numbers = list(rows.values_list("pk", flat=True)[first : first + self.per_page])
        shown = self.read(numbers)
        return Page([shown[one] for one in numbers if one in shown], valid, self)
