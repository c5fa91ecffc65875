"""`column__among=[…]`: one of very many values, which the database is given as one.

`__in` writes each of them a place in the statement: for ten thousand names that takes longer than looking them up does.
"""

from __future__ import annotations

import json
from typing import Any

from django.db.models import Field, ForeignKey, Lookup


@ForeignKey.register_lookup
@Field.register_lookup
class Among(Lookup):  # type: ignore[type-arg]
    lookup_name = "among"
    prepare_rhs = False

    def as_sql(self, compiler: Any, connection: Any) -> tuple[str, tuple[Any, ...]]:
        left, params = self.process_lhs(compiler, connection)
        return f"{left} IN (SELECT value FROM json_each(%s))", (*params, json.dumps(list(self.rhs)))  # noqa: S608 - a column of ours

    def as_postgresql(self, compiler: Any, connection: Any) -> tuple[str, tuple[Any, ...]]:
        left, params = self.process_lhs(compiler, connection)
        values = list(self.rhs)
        if values and all(type(one) is int for one in values):
            # Numbers as wide as the keys they are held against: only then are they looked up in a table of hashes.
            return f"{left} = ANY(%s::bigint[])", (*params, "{" + ",".join(map(str, values)) + "}")
        return f"{left} = ANY(%s)", (*params, values)
