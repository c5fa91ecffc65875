"""How many flushes and anode renewals the coming years hold, so that more care can be paid for in a comparison."""

from __future__ import annotations

import numpy as np

from forecasting import futures
from forecasting.dates import install_nodes, known_heaters, read_dates
from forecasting.episodes import FloatArray, Records
from forecasting.habits import building_rates, presumed_past
from forecasting.states import ANODE_NEW, FLUSH, calendar_year_of, read_marks, read_site

WORK = {"flush": FLUSH, "anode_renewed": ANODE_NEW}


def services_to_come(records: Records, horizon_years: int, care: str) -> dict[str, FloatArray]:
    """(H,) services of each kind in each coming year over the heaters in service, under this ``care``.

    The same services whose effect ``episodes.future_states`` counts; successors are not in it.
    """
    as_of = calendar_year_of(records.as_of)
    everyone = known_heaters(records.heaters, as_of)
    rates = building_rates(
        everyone, read_dates(everyone, as_of), read_marks(everyone, records.services, as_of), as_of
    )
    heaters = everyone[everyone["ending"].fillna("") == ""].reset_index(drop=True)
    dates = read_dates(heaters, as_of)
    heater, _, install, log_weight = install_nodes(dates, np.full(len(heaters), as_of))
    weight = np.exp(log_weight)
    mean_install = np.bincount(heater, install * weight, len(heaters)) / np.bincount(
        heater, weight, len(heaters)
    )
    site = read_site(heaters, records.waters, as_of)
    marks = read_marks(heaters, records.services, as_of).with_more(presumed_past(site, dates, rates))
    coming = futures._coming_care(marks, site, mean_install, rates, as_of, horizon_years, care)
    answer = {}
    for name, what in WORK.items():
        year = np.floor(coming.time[coming.what == what] - as_of).astype(np.int64)
        answer[name] = np.bincount(np.clip(year, 0, horizon_years - 1), minlength=horizon_years).astype(float)
    return answer
