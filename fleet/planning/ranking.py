"""All heaters of a large forecast ranked: their order is found by the job that asked, and written down part by part."""

from __future__ import annotations

from django.conf import settings
from django.db import connection, transaction

from fleet.planning import blocks
from fleet.planning.models import ForecastRun, HeaterOutlook
from fleet.planning.part_claims import claim, ring
from fleet.planning.part_rows import ForecastPart

READ_AT_A_TIME = 20_000


@transaction.atomic
def lay_out(run: ForecastRun) -> None:
    """Share the heaters out with their places among all, a share to each part's row, and ring for helpers. A place is
    found by the chance of failing within 36 months, then 12 months, then the heater's number."""
    import numpy as np

    outlooks = HeaterOutlook.objects.filter(run=run).order_by("id")
    columns = ("id", "p_fail_36_months", "p_fail_12_months", "heater_id")
    found = np.fromiter(
        outlooks.values_list(*columns).iterator(READ_AT_A_TIME),
        dtype=list(zip(columns, ("i8", "f8", "f8", "i8"), strict=True)),
    )
    place = np.empty(len(found), dtype=np.int64)
    order = np.lexsort((found["heater_id"], -found["p_fail_12_months"], -found["p_fail_36_months"]))
    place[order] = np.arange(len(found)) + 1
    parts = ForecastPart.objects.filter(run=run)
    numbers = list(parts.values_list("pk", flat=True))
    shares = zip(*(np.array_split(one, len(numbers)) for one in (found["id"], place)), strict=True)
    for pk, (outlook_ids, places) in zip(numbers, shares, strict=True):
        share = blocks.packed({"outlook_ids": outlook_ids, "places": places})
        parts.filter(pk=pk).update(places=share, claimed_until=None)
    if not settings.EMBEDDED:
        ring(run, len(numbers), "places ")


def one(run: ForecastRun) -> bool:
    """Write one share of the places down; False where none can be claimed."""
    part = claim(ForecastPart.objects.filter(run=run, places__isnull=False))
    if part is None:
        return False
    share = blocks.unpacked(bytes(part.places or b""))
    with transaction.atomic():
        if ForecastPart.objects.filter(pk=part.pk, claim=part.claim).update(places=None, claimed_until=None):
            _write(share["outlook_ids"].tolist(), share["places"].tolist())
    return True


def left(run: ForecastRun) -> bool:
    return ForecastPart.objects.filter(run=run, places__isnull=False).exists()


def _write(outlook_ids: list[int], places: list[int]) -> None:
    """By the rows' own numbers: of a run that is being made the database has no statistics yet, and by the run and its
    heaters it would read all of the run for each share."""
    table = HeaterOutlook._meta.db_table
    with connection.cursor() as cursor:
        if connection.vendor == "postgresql":
            cursor.execute(
                f"UPDATE {table} SET rank = told.place FROM unnest(%s::bigint[], %s::integer[]) AS told(id, place) "  # noqa: S608 - ours
                f"WHERE {table}.id = told.id",
                [_array(outlook_ids), _array(places)],
            )
            return
        cursor.executemany(
            f"UPDATE {table} SET rank = %s WHERE id = %s",  # noqa: S608 - ours
            list(zip(places, outlook_ids, strict=True)),
        )


def _array(numbers: list[int]) -> str:
    """Whole numbers as the database reads an array: by the driver, number by number, it takes twenty times as long."""
    return f"{{{','.join(map(str, numbers))}}}"
