"""Money and counts of a plan sum exactly across every grouping, whatever the paths are."""

from __future__ import annotations

import itertools
from datetime import date
from decimal import Decimal

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from fleet.planning.periods import cells_of, fiscal_years, most_common_month
from fleet.planning.tables import Paths, grouped_table, largest_remainder, years_of_cells
from forecasting.ends import Ends

MONEY = st.floats(0, 50_000, allow_nan=False, width=32)


@given(hnp.arrays(float, hnp.array_shapes(min_dims=1, max_dims=2, max_side=12), elements=st.floats(0, 1e6)))
def test_rounded_parts_add_up_to_the_rounded_whole_and_move_less_than_a_unit(values: np.ndarray) -> None:
    rounded = largest_remainder(values, 0.01)
    assert rounded.shape == values.shape
    assert abs(int(rounded.sum()) - values.sum() * 100) <= 0.5 + 1e-6 * values.sum()
    assert (np.abs(rounded - values * 100) <= 1 + 1e-6).all()


@st.composite
def paths(draw: st.DrawFn) -> tuple[Paths, list[str], list[str], list[list[int]]]:
    cells, groups = draw(st.integers(1, 4)), draw(st.integers(1, 6))
    shape = (draw(st.integers(2, 5)), cells, groups)
    failures = draw(hnp.arrays(np.int64, shape, elements=st.integers(0, 3)))
    planned = draw(hnp.arrays(np.int64, shape, elements=st.integers(0, 2)))
    cost = draw(hnp.arrays(float, shape, elements=MONEY))
    labels = [draw(st.lists(st.sampled_from("abc"), min_size=groups, max_size=groups)) for _ in range(2)]
    cut = draw(st.integers(0, cells))
    years = [part for part in (list(range(cut)), list(range(cut, cells))) if part]
    return Paths.of(Ends.of_tables(failures, planned, cost)), labels[0], labels[1], years


@settings(deadline=None)
@given(paths())
def test_every_grouping_sums_to_the_cent(made: tuple[Paths, list[str], list[str], list[list[int]]]) -> None:
    streams, first, second, years = made
    in_year = years_of_cells(years, streams.shape[1])
    expected = streams.expected()
    whole = grouped_table(streams, expected, [""] * len(first), in_year)[0][1]
    for labels in (first, second):
        tables = grouped_table(streams, expected, labels, in_year)
        assert {key for key, _ in tables} == set(labels)
        for year, row in enumerate(whole):
            for name in ("count", "cost", "count_so_far", "cost_so_far"):
                parts = [Decimal(rows[year][name]["expected"]) for _, rows in tables]
                assert sum(parts) == Decimal(row[name]["expected"])
            assert Decimal(row["failures"]) + Decimal(row["planned"]) == Decimal(row["count"]["expected"])
            assert Decimal(row["cost"]["p10"]) <= Decimal(row["cost"]["p90"])
    running = sum(Decimal(row["cost"]["expected"]) for row in whole)
    assert running == Decimal(whole[-1]["cost_so_far"]["expected"])
    assert abs(running - Decimal(float(streams.cost.sum() / streams.shape[0]))) <= Decimal("0.0051")


def test_quantiles_are_of_sums_over_the_same_paths_not_sums_of_quantiles() -> None:
    cost = np.zeros((2, 1, 2))
    cost[0, 0] = (100.0, 0.0)
    cost[1, 0] = (0.0, 100.0)
    nothing = np.zeros(cost.shape, dtype=int)
    streams = Paths.of(Ends.of_tables(nothing, nothing, cost))
    whole = grouped_table(streams, streams.expected(), ["", ""], years_of_cells([[0]], 1))[0][1][0]
    assert whole["cost"]["p10"] == whole["cost"]["p90"] == "100.00"


@given(st.dates(date(2000, 1, 1), date(2060, 12, 31)), st.integers(1, 12), st.integers(1, 40))
def test_fiscal_years_follow_each_other_from_the_day_on(day: date, month: int, horizon: int) -> None:
    years = fiscal_years(day, month, horizon)
    assert years[0].start == day
    assert all(earlier.end == later.start for earlier, later in itertools.pairwise(years))
    assert sum(year.whole for year in years) == horizon
    assert all(year.start.month == month and year.start.day == 1 for year in years if year.whole)
    assert all(year.whole for year in years[1:])


@given(
    st.dates(date(2000, 1, 1), date(2060, 12, 31)), st.sets(st.integers(1, 12), min_size=1), st.integers(1, 5)
)
def test_every_fiscal_year_is_a_sum_of_whole_cells(day: date, months: set[int], horizon: int) -> None:
    calendars = [fiscal_years(day, month, horizon) for month in sorted(months)]
    cells = cells_of(calendars)
    for years in calendars:
        covered = [index for year in years for index in cells.of(year)]
        assert covered == list(range(len(covered)))
        assert cells.edges[len(covered)] == years[-1].end


def test_a_fiscal_year_is_named_by_the_year_in_which_it_ends() -> None:
    assert [year.label for year in fiscal_years(date(2026, 11, 1), 7, 1)] == ["rest of FY 2027", "FY 2028"]
    assert [year.label for year in fiscal_years(date(2026, 1, 1), 1, 2)] == ["FY 2026", "FY 2027"]
    assert most_common_month([7, 7, 1]) == 7
    assert most_common_month([7, 1]) == 1
