"""The drawing of a life: vague dates are drawn vague, visits share a mark, nothing falls outside the frame."""

from __future__ import annotations

from datetime import date, timedelta

from hypothesis import given
from hypothesis import strategies as some

from fleet.heaters.models import Heater, ServiceRecord
from fleet.pages import findings, timeline

TODAY = date(2026, 11, 1)


def unit(number: int, early: date | None, late: date | None, **fields: object) -> Heater:
    return Heater(pk=number, tag=f"H-{number}", installed_earliest=early, installed_latest=late, **fields)


def work(number: int, day: date, kind: str) -> ServiceRecord:
    return ServiceRecord(
        heater_id=number, kind=kind, done_earliest=day, done_latest=day, done_precision="day"
    )


def test_nothing_known_nothing_drawn() -> None:
    assert timeline.life([unit(1, None, None)], [], 1, TODAY) is None


def test_a_vague_start_is_drawn_apart_from_the_sure_part() -> None:
    exact = timeline.life([unit(1, date(2016, 1, 1), date(2016, 1, 1))], [], 1, TODAY)
    vague = timeline.life([unit(1, date(2012, 1, 1), date(2016, 1, 1))], [], 1, TODAY)
    assert exact is not None
    assert vague is not None
    assert exact.spans[0].unsure_width == 0
    assert vague.spans[0].unsure_width > 100
    assert vague.spans[0].unsure_x + vague.spans[0].unsure_width == vague.spans[0].x


def test_the_one_asked_for_is_told_from_its_predecessor() -> None:
    day = date(2016, 4, 1)
    gone = unit(
        1, date(2005, 1, 1), date(2005, 1, 1), ending="tank_leak", removed_earliest=day, removed_latest=day
    )
    life = timeline.life([unit(2, day, day), gone], [], 2, TODAY)
    assert life is not None
    assert [span.this for span in life.spans] == [True, False]
    assert "tank leak 1 Apr 2016" in life.spans[1].label


def test_what_was_done_at_one_visit_shares_one_mark_with_all_its_words() -> None:
    day = date(2020, 6, 1)
    works = [work(1, day, "flush"), work(1, day, "anode_renewed"), work(1, date(2024, 6, 1), "flush")]
    life = timeline.life([unit(1, date(2012, 1, 1), date(2012, 1, 1))], works, 1, TODAY)
    assert life is not None
    assert sorted("".join(sorted(mark.letter)) for mark in life.marks) == ["AF", "F"]
    both = next(mark for mark in life.marks if len(mark.letter) == 2)
    assert "flushed" in both.words
    assert "anode renewed" in both.words
    assert dict(life.key).keys() == {"A", "F"}


def test_its_title_says_how_long_it_served_and_what_was_done_last() -> None:
    day = date(2016, 11, 1)
    life = timeline.life([unit(1, day, day)], [], 1, TODAY)
    assert findings.of_life(life) == "In service for 10.0 years; no work on it is dated on record"
    works = [
        work(1, date(2024, 6, 1), "flush"),
        work(1, date(2020, 6, 1), "anode_renewed"),
        work(2, TODAY, "flush"),
    ]
    life = timeline.life([unit(1, date(2012, 11, 1), day)], works, 1, TODAY)
    assert findings.of_life(life) == (
        "In service for 10.0 to 14.0 years; worked on 2 times by the record, the last: flushed, 1 Jun 2024"
    )
    gone = {"ending": "tank_leak", "removed_earliest": TODAY, "removed_latest": TODAY}
    life = timeline.life([unit(1, day, day, **gone)], works[:1], 1, TODAY)
    assert (
        findings.of_life(life)
        == "It served 10.0 years; worked on once by the record, the last: flushed, 1 Jun 2024"
    )


def test_the_table_holds_all_that_is_drawn() -> None:
    day = date(2016, 4, 1)
    gone = unit(
        1, date(2005, 1, 1), date(2005, 1, 1), ending="tank_leak", removed_earliest=day, removed_latest=day
    )
    works = [
        work(1, date(2010, 6, 1), "flush"),
        work(2, date(2020, 6, 1), "flush"),
        work(2, day, "inspected"),
    ]
    life = timeline.life([unit(2, day, day), gone], works, 2, TODAY)
    assert life is not None
    assert [(label, len(done)) for label, done in life.table] == [
        (life.spans[0].label, 2),
        (life.spans[1].label, 1),
    ]
    assert life.table[0][1][0].startswith("inspected"), "the first done first"


@given(
    some.lists(
        some.tuples(some.dates(date(1950, 1, 1), TODAY), some.integers(0, 4000)), min_size=1, max_size=5
    )
)
def test_every_span_stays_within_the_frame(starts: list[tuple[date, int]]) -> None:
    heaters = [unit(n, day, min(TODAY, day + timedelta(days=wide))) for n, (day, wide) in enumerate(starts)]
    life = timeline.life(heaters, [], 0, TODAY)
    assert life is not None
    for span in life.spans:
        assert span.width >= 0
        assert span.unsure_width >= 0
        assert timeline.LEFT <= span.unsure_x <= span.x <= span.x + span.width <= timeline.RIGHT + 0.11
    assert len(life.ticks) <= 9
