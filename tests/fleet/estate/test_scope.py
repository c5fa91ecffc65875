"""The one scope fails closed: no scope is an error, a foreign row does not exist, a limited role sees its part."""

from __future__ import annotations

import pytest
from django.utils import timezone

from fleet.estate.access import scope_of
from fleet.estate.models import Job, Membership, Property
from fleet.estate.scope import Level, Reach, Scope, ScopeMissing, scope_of_organisation, scoped
from fleet.heaters.models import Heater
from tests.conftest import Cast, make_heater


def test_a_query_outside_any_scope_is_an_error(cast: Cast) -> None:
    with pytest.raises(ScopeMissing):
        Heater.objects.count()


def test_another_organisations_row_does_not_exist(in_house: Cast) -> None:
    assert not Heater.objects.filter(pk=in_house.foreign_heater.pk).exists()
    assert [row.tag for row in Heater.objects.all()] == ["H-1"]


def test_a_row_cannot_be_written_into_another_organisation(in_house: Cast) -> None:
    with pytest.raises(ScopeMissing):
        Property(organisation=in_house.other_house, name="Smuggled").save()


def test_an_empty_scope_sees_nothing(cast: Cast) -> None:
    with scoped(Scope(())):
        assert Heater.objects.count() == 0


def test_a_person_limited_to_a_property_sees_no_other(cast: Cast) -> None:
    with scoped(scope_of_organisation(cast.house)):
        make_heater(cast.house, "Cedar Place", "C-1")
    membership = Membership.objects.get(person=cast.technician)
    membership.all_properties = False
    membership.save()
    membership.properties.add(cast.property)
    with scoped(scope_of(membership)):
        assert [row.tag for row in Heater.objects.all()] == ["H-1"]
        assert [row.name for row in Property.objects.all()] == ["Alder Court"]


def test_rows_of_the_whole_organisation_stay_hidden_from_a_limited_person(cast: Cast) -> None:
    with scoped(scope_of_organisation(cast.house)):
        Job.objects.create(organisation=cast.house, kind="any", run_after=timezone.now())
        assert Job.objects.count() == 1
    with scoped(Scope((Reach(cast.house.pk, frozenset({cast.property.pk})),))):
        assert Job.objects.count() == 0


def test_thousands_of_properties_are_one_value_of_a_statement(cast: Cast) -> None:
    """A company may have that many; each with a place of its own makes every query ten times as dear."""
    lengths = []
    for count in (1, 2000):
        numbers = frozenset(range(cast.property.pk, cast.property.pk + count))
        with scoped(Scope((Reach(cast.house.pk, numbers, Level.WORK),))):
            rows = Heater.objects.order_by("pk")
            lengths.append(len(rows.query.sql_with_params()[1]))
            assert [row.tag for row in rows] == ["H-1"]
    assert lengths[0] == lengths[1]


def test_a_reach_to_no_property_sees_nothing(cast: Cast) -> None:
    with scoped(Scope((Reach(cast.house.pk, frozenset(), Level.WORK), Reach(cast.house.pk, frozenset())))):
        assert [Heater.objects.count(), Property.objects.count()] == [0, 0]
