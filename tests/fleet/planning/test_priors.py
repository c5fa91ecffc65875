"""The priors an organisation sees and changes: with a reason, kept in history, spoken in the next run, and back."""

from __future__ import annotations

import pytest
from django.urls import reverse

from fleet.estate.models import HistoryEntry, Organisation
from fleet.estate.scope import scope_of_organisation, scoped
from fleet.planning import priors
from fleet.planning.models import ForecastRun, PriorEntry
from fleet.planning.services import open_run, run_forecast
from forecasting.lifetimes import read_effects, read_lifetimes
from tests.conftest import Cast
from tests.fleet.planning.estates import AS_OF

pytestmark = pytest.mark.django_db
ROW = ("lifetimes", "heat_pump_epa_2013")
PAGE = reverse("planning:prior", args=ROW)


def again(estate: Organisation) -> ForecastRun:
    return run_forecast(open_run(estate, AS_OF, horizon_years=4, draws=120, seed=5))


def median(cast: Cast, kind: str) -> float:
    return next(row.median_years for row in priors.combined(cast.house.pk) if row.kind == kind)


def test_the_page_shows_every_row_of_both_tables_with_its_source(cast: Cast) -> None:
    page = cast.client(cast.technician).get(reverse("planning:priors")).content.decode()
    assert page.count('data-label="Source"') == len(read_lifetimes()) + len(read_effects())
    assert "TM 5" not in page
    assert "NAHB, Study of Life Expectancy of Home Components (2007)" in page
    assert "from memory, not verified" in page
    assert ">change<" not in page


def test_a_changed_figure_is_marked_kept_in_history_and_moves_the_kind(in_house: Cast) -> None:
    cast, before = in_house, median(in_house, "heat_pump")
    client = cast.client(cast.planner)
    answer = client.post(
        PAGE, {"value": "6", "spread": "3", "reason": "our own maker's returns"}, follow=True
    )
    assert "It speaks from the next forecast on" in answer.content.decode()
    assert median(cast, "heat_pump") < before
    assert median(cast, "electric_storage") == pytest.approx(13.2, abs=2)
    row = priors.one(cast.house.pk, *ROW)
    assert row is not None
    assert (row.status, row.value, row.spread, row.shipped_value) == ("entered", 6, 3, 10)
    entry = HistoryEntry.objects.get(subject_kind="priorentry")
    assert (entry.reason, entry.changes) == ("our own maker's returns", {"value": [10, 6], "weight": [1, 3]})
    assert "1 is entered by you" in client.get(reverse("planning:priors")).content.decode()
    client.post(PAGE, {"value": "7", "spread": "3", "reason": "counted again"})
    assert [entry.in_force for entry in PriorEntry.objects.all()] == [True, False]
    page = client.get(PAGE).content.decode()
    assert "our own maker&#x27;s returns" in page
    assert "counted again" in page


def test_it_speaks_in_the_next_run_and_its_digest_and_stops_when_returned(
    cast: Cast, estate: Organisation, done_run: ForecastRun
) -> None:
    priors.enter(estate, "effects", "anode_spent", 1.5, 0.1, "an experiment")
    changed = again(estate)
    assert changed.inputs_digest != done_run.inputs_digest
    assert changed.result_digest != done_run.result_digest
    assert changed.assumptions["entered_priors"] == [["effects", "anode_spent", 1.5, 0.1]]
    assert (
        cast.client(cast.planner)
        .post(reverse("planning:prior", args=["effects", "anode_spent"]), {"return": "1"})
        .status_code
        == 302
    )
    assert not priors.return_to_shipped(estate, "effects", "anode_spent")
    back = again(estate)
    assert (back.inputs_digest, back.result_digest) == (done_run.inputs_digest, done_run.result_digest)
    verbs = (
        HistoryEntry.objects.filter(subject_kind="priorentry").order_by("id").values_list("verb", flat=True)
    )
    assert list(verbs) == ["entered", "returned to the shipped figure"]


def test_another_organisation_keeps_the_shipped_figures(cast: Cast) -> None:
    with scoped(scope_of_organisation(cast.house)):
        priors.enter(cast.house, *ROW, 6, 3, "ours")
    with scoped(scope_of_organisation(cast.other_house)):
        assert priors.entered(cast.other_house.pk) == ()
        assert priors.entered(cast.house.pk) == ()


@pytest.mark.parametrize(
    ("sent", "words"),
    [
        ({"value": "6", "spread": "3", "reason": " "}, "say why the figure is changed"),
        ({"value": "nan", "spread": "3", "reason": "x"}, "cannot be; give 1 to 60"),
        ({"value": "600", "spread": "3", "reason": "x"}, "value: 600 cannot be; give 1 to 60"),
        ({"value": "ten", "spread": "3", "reason": "x"}, "&#x27;ten&#x27; is not a number"),
        ({"value": "6", "spread": "-1", "reason": "x"}, "weight: -1 cannot be"),
    ],
)
def test_what_cannot_be_is_refused_naming_what_would_be_right(
    cast: Cast, sent: dict[str, str], words: str
) -> None:
    answer = cast.client(cast.planner).post(PAGE, sent)
    assert answer.status_code == 422
    assert words in answer.content.decode()
    with scoped(scope_of_organisation(cast.house)):
        assert not PriorEntry.objects.exists()


def test_a_kind_cannot_be_left_without_any_lifetime(in_house: Cast) -> None:
    rows = ["heat_pump_epa_2013", "heat_pump_eia_2023", "heat_pump_deer_2026"]
    for row_id in rows[:-1]:
        value = priors.one(in_house.house.pk, "lifetimes", row_id).value
        priors.enter(in_house.house, "lifetimes", row_id, value, 0, "not ours")
    with pytest.raises(priors.PriorRefused, match="no life with a weight above 0 for kind 'heat_pump'"):
        priors.enter(in_house.house, "lifetimes", rows[-1], 20, 0, "not ours")


def test_only_those_who_plan_change_a_prior_and_only_a_known_one(cast: Cast) -> None:
    assert cast.client(cast.technician).get(PAGE).status_code == 403
    unknown = reverse("planning:prior", args=["lifetimes", "moon"])
    assert cast.client(cast.planner).get(unknown).status_code == 404
