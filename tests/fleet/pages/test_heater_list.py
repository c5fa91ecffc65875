"""The list of heaters: columns, order by heading, filters by age and chance, kept lists, the file of what is shown."""

from __future__ import annotations

import csv
import io
import re
from datetime import date

import pytest
from django.urls import reverse
from django.utils import timezone

from fleet.estate.models import Membership
from fleet.pages.models import KeptList, ReadingHabit
from fleet.planning.models import ForecastRun, HeaterOutlook
from tests.conftest import Cast, make_heater


@pytest.fixture
def stocked(in_house: Cast) -> Cast:
    """Three heaters of 1999, 2010 and 2016 with 90, 40 and 5 % chance to fail within 36 months."""
    rows = {"H-1": in_house.heater}
    for tag, year in (("OLD", 1999), ("MID", 2010)):
        day = date(year, 6, 1)
        rows[tag] = make_heater(
            in_house.house, tag=tag, installed_earliest=day, installed_latest=day, maker="=1+1"
        )
    run = ForecastRun.objects.create(
        organisation=in_house.house,
        as_of=date(2026, 1, 1),
        state="done",
        finished_at=timezone.now(),
        result={},
    )
    for rank, (tag, chance) in enumerate((("OLD", 0.9), ("MID", 0.4), ("H-1", 0.05)), 1):
        HeaterOutlook.objects.create(
            organisation=in_house.house,
            run=run,
            heater=rows[tag],
            rank=rank,
            age_years=1,
            age_known=True,
            p_fail_12_months=chance / 2,
            p_fail_36_months=chance,
            remaining_life_p10_years=1,
            remaining_life_median_years=2,
            remaining_life_p90_years=3,
            planned_cost=1,
            emergency_cost=2,
        )
    return in_house


def page_of(cast: Cast, query: str = "") -> str:
    return cast.client(cast.owner).get(f"{reverse('pages:heaters')}?{query}").content.decode()


def tags(page: str) -> list[str]:
    return re.findall(r'<th scope="row"><a [^>]*>([^<]+)</a>', page)


@pytest.mark.parametrize(
    ("query", "expected"),
    [
        ("order=tag", ["H-1", "MID", "OLD"]),
        ("order=-tag", ["OLD", "MID", "H-1"]),
        ("order=installed", ["OLD", "MID", "H-1"]),
        ("order=-chance", ["OLD", "MID", "H-1"]),
        ("chance=25&order=chance", ["MID", "OLD"]),
        ("age=20", ["OLD"]),
        ("age=99999999", []),
        ("order=age", ["H-1", "MID", "OLD"]),
        ("order=look__run", ["H-1", "MID", "OLD"]),
        ("leaf=7&age=x&chance=-1", ["H-1", "MID", "OLD"]),
    ],
)
def test_order_and_filters(stocked: Cast, query: str, expected: list[str]) -> None:
    assert tags(page_of(stocked, query)) == expected


@pytest.mark.parametrize(
    "query", ["", "words=+&kind=", "service=all", "service=ended", "age=20", "words=mid", "chance=25"]
)
def test_as_many_are_said_as_are_listed(stocked: Cast, query: str) -> None:
    make_heater(stocked.house, tag="GONE", ending="removed", removed_precision="unknown")
    page = page_of(stocked, query)
    [said] = re.findall(r"<caption>(\d+) heaters?\.", page)
    assert int(said) == len(tags(page)) > 0


def test_a_leaf_follows_the_one_before(stocked: Cast, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("fleet.pages.heater_list.LEAVES", (2, 200))
    leaves = [tags(page_of(stocked, f"order=-chance&page={number}")) for number in (1, 2)]
    assert leaves == [["OLD", "MID"], ["H-1"]]


@pytest.mark.parametrize("who", ["owner", "technician"])
@pytest.mark.parametrize("words", ["", "place"])
def test_leaves_are_counted_and_cut_alike_by_words_and_for_who_sees_a_part(
    stocked: Cast, monkeypatch: pytest.MonkeyPatch, who: str, words: str
) -> None:
    monkeypatch.setattr("fleet.pages.heater_list.LEAVES", (2, 200))
    make_heater(stocked.house, "Fir Court", "FAR")
    narrow = Membership.objects.get(person=stocked.technician)
    narrow.all_properties = False
    narrow.save()
    narrow.properties.set([stocked.property])
    expected = [["OLD", "MID"], ["H-1"]] if who == "technician" else [["OLD", "MID"], ["H-1", "FAR"]]
    client = stocked.client(getattr(stocked, who))
    for number, leaf in (("1", 0), ("2", 1), ("9", 1), ("x", 0), ("0", 1), ("", 0)):
        query = f"order=-tag&page={number}&words={words}"
        page = client.get(f"{reverse('pages:heaters')}?{query}").content.decode()
        assert tags(page) == expected[leaf], number
        assert f"<caption>{sum(map(len, expected))} heaters." in page


def test_what_somebody_wrote_is_no_markup_in_a_row(stocked: Cast) -> None:
    make_heater(
        stocked.house,
        "<i>Court</i>",
        '<b>&"',
        maker="<script>",
        ending="removed",
        removed_precision="unknown",
    )
    page = page_of(stocked, "service=ended&column=tag&column=place&column=maker&column=serial")
    [row] = re.findall(r"<tbody>(.*?)</tbody>", page, re.DOTALL)
    assert tags(page) == ["&lt;b&gt;&amp;&quot;"]
    assert '<td data-label="Where">&lt;i&gt;Court&lt;/i&gt;, A, place of &lt;b&gt;&amp;&quot;</td>' in row
    assert '<td data-label="Maker">&lt;script&gt;</td>' in row
    assert '<td data-label="Serial number"><span class="assumed">not known</span></td>' in row
    assert '<span class="mark">left service</span>' in row


def test_a_heading_says_how_the_list_stands_and_turns_it(stocked: Cast) -> None:
    page = page_of(stocked, "order=chance&words=o")
    assert re.search(r'aria-sort="ascending"><a href="\?order=-chance&amp;words=o">Fails within', page)


def test_only_the_chosen_columns_are_shown_and_the_tag_always(stocked: Cast) -> None:
    page = page_of(stocked, "column=serial&column=maker&column=bogus")
    headings = re.findall(r'<th scope="col"[^>]*>(?:<a [^>]*>)?([^<]+)', page)
    assert headings == ["Heater", "Maker", "Serial number"]


def test_the_file_holds_what_the_list_shows_and_no_formula(stocked: Cast) -> None:
    answer = stocked.client(stocked.owner).get(
        f"{reverse('pages:heaters_file')}?column=maker&column=chance&order=-chance&chance=25"
    )
    text = b"".join(answer.streaming_content).decode("utf-8-sig")
    assert list(csv.reader(io.StringIO(text))) == [
        ["Heater", "Fails within 36 months", "Maker"],
        ["OLD", "90 %", "'=1+1"],
        ["MID", "40 %", "'=1+1"],
    ]


def test_the_file_is_in_its_readers_units(stocked: Cast) -> None:
    ReadingHabit.objects.create(person=stocked.owner, units="metric")
    answer = stocked.client(stocked.owner).get(f"{reverse('pages:heaters_file')}?column=capacity&words=mid")
    text = b"".join(answer.streaming_content).decode("utf-8-sig")
    assert list(csv.reader(io.StringIO(text)))[1:] == [["MID", "189 L"]]


def test_the_file_keeps_within_the_own_house(cast: Cast) -> None:
    answer = cast.client(cast.outsider).get(reverse("pages:heaters_file"))
    text = b"".join(answer.streaming_content).decode("utf-8-sig")
    assert "B-1" in text
    assert "H-1" not in text


def test_a_list_is_kept_opened_and_dropped_by_its_own_person_only(stocked: Cast) -> None:
    client = stocked.client(stocked.owner)
    client.post(reverse("pages:keep_list"), {"name": "Very old", "query": "age=20&page=3&order=tag"})
    row = KeptList.objects.get()
    assert row.query == "age=20&order=tag"
    assert '<a href="?age=20&amp;order=tag">Very old</a>' in page_of(stocked)
    other = stocked.client(stocked.planner)
    assert "Very old" not in other.get(reverse("pages:heaters")).content.decode()
    assert other.post(reverse("pages:drop_list", args=[row.pk])).status_code == 404
    client.post(reverse("pages:keep_list"), {"name": "Very old", "query": "age=15"})
    assert [kept.query for kept in KeptList.objects.all()] == ["age=15"]
    dropped = client.post(reverse("pages:drop_list", args=[row.pk]), follow=True)
    assert not KeptList.objects.exists()
    # What was dropped by a slip of the finger stands there to be kept again.
    assert '<input type="hidden" name="query" value="age=15">' in dropped.content.decode()


def test_a_list_without_a_name_is_not_kept(stocked: Cast) -> None:
    client = stocked.client(stocked.owner)
    answer = client.post(reverse("pages:keep_list"), {"name": " ", "query": "age=20"}, follow=True)
    assert "give the list a name" in answer.content.decode()
    assert not KeptList.objects.exists()


def test_without_a_forecast_there_is_no_column_of_nothing(in_house: Cast) -> None:
    page = page_of(in_house, "order=-chance&chance=50")
    assert "Fails within 36 months" not in page
    assert tags(page) == ["H-1"]
    file = in_house.client(in_house.owner).get(reverse("pages:heaters_file")).getvalue().decode()
    assert "Fails within 36 months" not in file


def test_with_a_forecast_the_chances_stand_beside_the_heaters(stocked: Cast) -> None:
    assert page_of(stocked).count("Fails within 36 months") > 3
