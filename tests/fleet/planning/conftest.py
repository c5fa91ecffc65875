from __future__ import annotations

from collections.abc import Iterator

import pytest

from fleet.estate.models import Organisation
from fleet.estate.scope import scope_of_organisation, scoped
from fleet.planning.models import ForecastRun
from fleet.planning.services import open_run, run_forecast
from tests.conftest import Cast
from tests.fleet.planning.estates import AS_OF, grow_estate


@pytest.fixture
def estate(cast: Cast) -> Iterator[Organisation]:
    """The cast's house with a grown estate, inside its scope."""
    with scoped(scope_of_organisation(cast.house, actor="test")):
        grow_estate(cast.house, positions=36)
        yield cast.house


@pytest.fixture
def done_run(estate: Organisation) -> ForecastRun:
    run = run_forecast(open_run(estate, AS_OF, horizon_years=4, draws=120, seed=5))
    assert run.state == ForecastRun.State.DONE, run.error
    return run
