"""A large forecast worked off part by part, by as many workers as there are, and joined by the job that asked.

A part is claimed by a conditional update for a while; a worker that dies leaves it to the next. What a part comes to
is stored with its claim in one transaction, so that a part counts once however often it was tried.
"""

from __future__ import annotations

import json
import threading
from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING, Any

from django.conf import settings
from django.db import transaction
from django.utils import timezone

from fleet.estate import background
from fleet.estate.bulk_rows import write_rows
from fleet.estate.scope import Reach, Scope, current_scope, scoped
from fleet.planning import blocks, chain, costing, ranking
from fleet.planning.models import CostBook, ForecastRun, HeaterOutlook
from fleet.planning.outlook_rows import COLUMNS, RANKED_BY, outlook_rows
from fleet.planning.part_claims import LEASE, claim, ring
from fleet.planning.part_rows import ForecastPart

if TYPE_CHECKING:
    from fleet.planning.chain import Asked, Ground, Progress
    from fleet.planning.prices import Pricing
    from forecasting.episodes import Records
    from forecasting.posterior import Posterior

    Pricer = Callable[[Sequence[int]], Pricing]

MOST_READY = 10  # parts that a helper holds in memory, some 10 MB each
LOOK_AGAIN_SECONDS = 0.1
State = ForecastRun.State


@transaction.atomic
def lay_out(run: ForecastRun, kinds: Sequence[str], standing: Sequence[tuple[int, int]]) -> None:
    """Write the parts down before the fit, and ring for helpers, who make parts ready meanwhile. `kinds` are those in
    which the fit will count, `standing` says how many heaters each property has in service."""
    ForecastPart.objects.filter(run=run).delete()
    HeaterOutlook.objects.filter(run=run).delete()
    counts, cuts = dict(standing), blocks.cut(standing)
    total = sum(counts.values())
    held = (
        timezone.now() + LEASE
    )  # from workers of before parts were made ready: they would take what is not asked yet
    for number, property_ids in enumerate(cuts):
        ForecastPart.objects.create(
            organisation_id=run.organisation_id,
            run=run,
            number=number,
            property_ids=property_ids,
            share=sum(counts[one] for one in property_ids) / total,
            facts={"kinds": list(kinds)},
            claimed_until=held,
        )
    if not settings.EMBEDDED:
        ring(run, len(cuts))


@transaction.atomic
def ask(
    run: ForecastRun,
    records: Records,
    posterior: Posterior,
    asked: Asked,
    standing: Sequence[tuple[int, int]],
    **kept: Any,
) -> None:
    """Give every part all it needs of the fit; from then on parts can be worked off. `records` are those that the fit
    has read, `kept` goes to the run's own row."""
    from forecasting.buildings import thinned

    ground = blocks.shared_ground(records, posterior, asked, standing)
    parameters = thinned(posterior, blocks.LARGE_DRAWS)
    rows = ForecastPart.objects.filter(run=run)
    for pk, property_ids in list(rows.values_list("pk", "property_ids")):
        rows.filter(pk=pk).update(question=_question(parameters, ground, property_ids), claimed_until=None)
    ForecastRun.objects.filter(pk=run.pk).update(engine_version=posterior.version[:40], **kept)


def _question(posterior: Posterior, ground: Ground, property_ids: list[int]) -> bytes:
    import numpy as np

    plain = {
        "kinds": posterior.kinds,
        "covariates": posterior.covariates,
        "seed": posterior.seed,
        "version": posterior.version,
        "removals_per_year": posterior.removals_per_year,
        "months": [[number, ground.months[number]] for number in property_ids],
        "calendars": sorted(ground.calendars),
        "portfolio_month": ground.portfolio_month,
        "paths": ground.paths,
    }
    return blocks.packed(
        {
            "plain": np.array(json.dumps(plain)),
            "ageing": ground.ageing,
            **({} if posterior.hears_ages is None else {"hears_ages": posterior.hears_ages}),
            **{name: getattr(posterior, name) for name in _ARRAYS},
        }
    )


_ARRAYS = ("log_shape", "log_scale", "beta", "dispersion")


def _read_question(part: ForecastPart, run: ForecastRun, asked: Asked) -> tuple[Posterior, Ground]:
    import numpy as np

    from fleet.planning import periods
    from forecasting.posterior import Diagnostics, Posterior

    arrays = blocks.unpacked(bytes(part.question or b""))
    plain = json.loads(str(arrays["plain"]))
    nothing = Diagnostics(0.0, 0.0, "", True, 0, {}, (), np.zeros(len(plain["kinds"])))
    posterior = Posterior(
        kinds=tuple(plain["kinds"]),
        covariates=tuple(plain["covariates"]),
        buildings=(),
        z=np.zeros((len(arrays["dispersion"]), 0)),
        building_failures=np.zeros(0, dtype=np.int64),
        building_exposure=np.zeros((len(arrays["dispersion"]), 0)),
        diagnostics=nothing,
        seed=plain["seed"],
        version=plain["version"],
        removals_per_year=plain.get("removals_per_year"),
        hears_ages=arrays.get("hears_ages"),
        **{name: arrays[name] for name in _ARRAYS},
    )
    calendars = {
        month: periods.fiscal_years(run.as_of, month, asked.horizon_years) for month in plain["calendars"]
    }
    ground = chain.Ground(
        dict(plain["months"]),
        plain["portfolio_month"],
        calendars,
        periods.cells_of(list(calendars.values())),
        paths=plain["paths"],
        ageing=arrays["ageing"],
    )
    return posterior, ground


def begun(run: ForecastRun) -> bool:
    """Whether the fit is made and its parts can be worked off."""
    return ForecastPart.objects.filter(run=run, question__isnull=False).exists()


def help_with(
    run_id: int, book_and_question: Callable[[ForecastRun], tuple[CostBook, Asked]], number: int = 0
) -> int:
    """A helper, one of several by its number: work off parts of the run until none can be claimed."""
    run = ForecastRun.objects.filter(pk=run_id, state=State.RUNNING).first()
    count = 0
    if run is not None:
        book, asked = book_and_question(run)
        price = costing.pricer(book, run.as_of)
        ready = _ahead(run, price, asked, number)
        while _one(run, price, asked, ready) or ranking.one(run):
            count += 1
    return count


def _ahead(run: ForecastRun, price: Pricer, asked: Asked, number: int) -> dict[int, blocks.Ready]:
    """While the fit is made: parts made ready, from the last one on, since whoever makes the fit begins with the
    first. Nothing of it is written down: what is lost with its worker is made again by who claims the part."""
    ready: dict[int, blocks.Ready] = {}
    until = timezone.now() + LEASE
    unasked = ForecastPart.objects.filter(run=run, question=None, done=False, run__state=State.RUNNING)
    while timezone.now() < until:
        parts = list(unasked.order_by("-number").defer("question", "sums", "figures", "places"))
        mine = [part for part in parts[number * MOST_READY :][:MOST_READY] if part.pk not in ready]
        if not parts:
            break
        if mine:
            kinds = tuple(mine[0].facts["kinds"])
            ready[mine[0].pk] = _made_ready(run, mine[0], kinds, price, asked)
        else:
            _look_again()
    return ready


def _look_again() -> None:
    threading.Event().wait(LOOK_AGAIN_SECONDS)


def finish(
    run: ForecastRun,
    book: CostBook,
    asked: Asked,
    progress: Progress,
    cancelled: Callable[[], bool],
) -> tuple[dict[str, Any], dict[str, Any]]:
    """Work off parts beside the helpers, wait for theirs, add all up. The plan, and what is known of its inputs."""
    total = ForecastPart.objects.filter(run=run).count()
    price, nothing = costing.pricer(book, run.as_of), dict[int, blocks.Ready]()
    while (left := ForecastPart.objects.filter(run=run, done=False).count()) > 0:
        if cancelled():
            raise background.Cancelled
        progress(0.62 + 0.26 * (1 - left / total), f"Following part {total - left + 1} of {total}")
        if not _one(run, price, asked, nothing):
            _look_again()
    progress(0.88, "Ranking all heaters")
    ranking.lay_out(run)
    progress(0.9, "Adding the parts up")
    answer = _joined(run, asked)
    while ranking.left(run):
        if not ranking.one(run):
            _look_again()
    return answer


def _narrow(run: ForecastRun, property_ids: Sequence[int]) -> Scope:
    whole = current_scope()
    return Scope(
        (Reach(run.organisation_id, frozenset(property_ids)),),
        person_id=whole.person_id,
        actor=whole.actor,
    )


def records_of(run: ForecastRun, property_ids: Sequence[int]) -> Records:
    """The records of some properties, as a part reads them."""
    from fleet.planning.frames import records_in_scope

    with scoped(_narrow(run, property_ids)):
        return records_in_scope(run.as_of)


def _made_ready(
    run: ForecastRun, part: ForecastPart, kinds: tuple[str, ...], price: Pricer, asked: Asked
) -> blocks.Ready:
    from fleet.planning.frames import records_in_scope

    with scoped(_narrow(run, part.property_ids)):
        return blocks.make_ready(records_in_scope(run.as_of), kinds, price, asked)


def _one(run: ForecastRun, price: Pricer, asked: Asked, ready: dict[int, blocks.Ready]) -> bool:
    from forecasting.threads import one_thread

    part = claim(ForecastPart.objects.filter(run=run, done=False, question__isnull=False), ready)
    if part is None:
        return False
    posterior, ground = _read_question(part, run, asked)
    own = ready.pop(part.pk, None) or _made_ready(run, part, posterior.kinds, price, asked)
    with one_thread():  # other workers keep the other cores busy
        block = blocks.compute(part.number, own, posterior, asked, ground, part.share)
    _keep(run, part, block, own.inputs)
    return True


@transaction.atomic
def _keep(run: ForecastRun, part: ForecastPart, block: blocks.Block, inputs: str) -> None:
    rows = outlook_rows(run, block.answer)
    figures = [found for pair in sorted(block.figures.items()) for found in pair]
    won = ForecastPart.objects.filter(pk=part.pk, claim=part.claim, done=False).update(
        done=True,
        claimed_until=None,
        sums=blocks.packed(block.sums),
        facts=block.facts,
        figures=blocks.packed(block.figures),
        inputs_digest=inputs,
        result_digest=chain.digest(*figures, [row[RANKED_BY] for row in rows]),
    )
    if won:
        write_rows(HeaterOutlook, COLUMNS, rows)


def _joined(run: ForecastRun, asked: Asked) -> tuple[dict[str, Any], dict[str, Any]]:
    join, ground = blocks.Join(), None
    kinds: tuple[str, ...] = ()
    for part in ForecastPart.objects.filter(run=run).order_by("number").iterator(chunk_size=4):
        if ground is None:
            posterior, ground = _read_question(part, run, asked)
            kinds = posterior.kinds
        join.add(
            blocks.unpacked(bytes(part.sums or b"")),
            part.facts,
            blocks.unpacked(bytes(part.figures or b"")),
        )
    assert ground is not None
    return join.plan(kinds, ground), join.inputs_known()


def close(run: ForecastRun) -> tuple[list[str], list[str]]:
    """Let go of what only the joining needed; digests of the parts' inputs and results."""
    parts = ForecastPart.objects.filter(run=run)
    parts.update(question=None, sums=None)
    rows = list(parts.order_by("number").values_list("inputs_digest", "result_digest"))
    return [inputs for inputs, _ in rows], [result for _, result in rows]


def tables_of(run: ForecastRun, property_id: int, building_id: int | None = None) -> dict[str, Any]:
    """The tables of a property, or of one of its buildings, from the part in which it stands; empty where the run
    has no parts."""
    for number, property_ids in ForecastPart.objects.filter(run=run).values_list("pk", "property_ids"):
        if property_id in property_ids:
            part = ForecastPart.objects.get(pk=number)
            if part.figures is None:
                before: dict[str, Any] = part.tables
                return before
            return _tables_in(run, blocks.unpacked(bytes(part.figures)), property_id, building_id)
    return {}


def _tables_in(
    run: ForecastRun, figures: dict[str, Any], property_id: int, building_id: int | None
) -> dict[str, Any]:
    groups: dict[str, list[dict[str, Any]]] = {}
    for name, key in (("property", property_id), ("building", building_id)):
        keys, found = blocks.figures_of(figures, name)
        groups[name] = [{"key": key, "years": found.rows(keys.index(key))}] if key in keys else []
    own = []
    for name in figures:
        if name.startswith("own ") and name.endswith(" keys"):
            keys, found = blocks.figures_of(figures, name.removesuffix(" keys"))
            if property_id in keys:
                month = int(name.split()[1])
                years = chain.periods.fiscal_years(run.as_of, month, run.horizon_years)
                own.append(
                    {
                        "key": property_id,
                        "fiscal_start_month": month,
                        "calendar": chain.calendar_of(years),
                        "years": found.rows(keys.index(property_id)),
                    }
                )
    return {"groups": groups, "own_years": own}
