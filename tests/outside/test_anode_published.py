"""Anode and scale formulas against published figures; the source stands beside each check."""

import pytest

from forecasting import anode, scale

KG_PER_LB = 0.45359237


@pytest.mark.parametrize(
    ("metal", "ah_kg", "lb_per_ampere_year"),
    [("magnesium", 2205.4, 8.76), ("aluminium", 2979.9, 6.48), ("zinc", 819.9, 23.6)],
)
def test_faraday_capacities(metal: str, ah_kg: float, lb_per_ampere_year: float) -> None:
    # Textbook 2200 and 2960 Ah/kg, zinc 372 Ah/lb (corrosion society abstracts); exact z F / (3.6 M) with IUPAC masses.
    capacity = anode.theoretical_capacity_ah_kg(metal)
    assert capacity == pytest.approx(ah_kg, abs=0.3)
    assert 8760 / capacity / KG_PER_LB == pytest.approx(lb_per_ampere_year, rel=0.003)


def test_published_round_capacities() -> None:
    # Magnesium 1000 Ah/lb, zinc 372 Ah/lb: abstracts of the corrosion society; both round.
    assert anode.theoretical_capacity_ah_kg("magnesium") * KG_PER_LB == pytest.approx(1000, rel=0.001)
    assert anode.theoretical_capacity_ah_kg("zinc") * KG_PER_LB == pytest.approx(372, rel=0.001)


@pytest.mark.parametrize(
    ("years", "ampere", "lb_per_ampere_year", "published_lb"),
    [(15, 0.7, 8.8, 184.8), (15, 0.73, 8.8, 193), (15, 0.858, 8.8, 227), (10, 15.2, 1.0, 304)],
)
def test_mass_for_a_life(years: float, ampere: float, lb_per_ampere_year: float, published_lb: float) -> None:
    # TM 5-811-7 equation C-1 (184.8 lb); MIL-HDBK-1004/10 pages 198 (193), 186 (227), 159 (304), efficiency 0.50.
    assert anode.mass_for_life_lb(years, ampere, lb_per_ampere_year, 0.5) == pytest.approx(
        published_lb, abs=0.6
    )


def test_the_two_forms_of_the_life_formula_agree() -> None:
    # 8.8 lb per ampere-year at efficiency 0.5 is the same as 0.5 * 8760 / (8.8 lb in kg) Ah/kg, all of it usable.
    capacity = 0.5 * anode.HOURS_PER_YEAR / (8.8 * KG_PER_LB)
    assert anode.life_years(184.8 * KG_PER_LB, 0.7, capacity, 1.0) == pytest.approx(15.0, rel=1e-9)


def test_seventeen_pounds_of_magnesium() -> None:
    # Trade page: 17 lb gives 1 A for one year or 0.1 A for ten. (The page's round figure: within 5 %.)
    capacity = anode.PRACTICAL_CAPACITY_AH_KG["magnesium"]
    for ampere, years in ((1.0, 1.0), (0.1, 10.0)):
        assert anode.life_years(17 * KG_PER_LB, ampere, capacity, 1.0) == pytest.approx(years, rel=0.05)


@pytest.mark.parametrize(("milliampere", "years"), [(2, 30.0), (5, 12.0), (10, 6.0)])
def test_a_common_heater_rod(milliampere: float, years: float) -> None:
    # 3/4 in by 40 in at 0.031 lb/in (maker's size table), 1100 Ah/kg (Corrosion Engineering P&P p. 591), 85 % usable
    # (common practice): lives worked out by hand from those figures.
    found = anode.life_years(0.031 * 40 * KG_PER_LB, milliampere / 1000.0, 1100.0, 0.85)
    assert found == pytest.approx(years, rel=0.01)


def test_the_default_current_and_mass_lie_within_what_is_published() -> None:
    # Fischer 1960 (quoted in Platinum Metals Rev. 1961, 5(1), 12): 5 mA is enough for a glass-lined domestic tank.
    # Ours is a judgement; it must stay within a factor of two of that.
    assert 2.5 < anode.tank_current_ma(40.0, 130.0, 500.0, False) < 10.0
    # DIN 4753 (as quoted): at least 0.2 kg of magnesium a square metre of enamel; 40 gal has about 1.75 m2.
    assert anode.default_rod_mass_kg("magnesium", 40.0) > 0.2 * 1.75


def test_scale_rates_of_the_2009_test() -> None:
    # Test for the Water Quality Research Foundation, 26 grains per gallon (read second-hand): electric 907 g/year,
    # gas storage 528. The daily draw of 50 gal and the 130 F are our reading of it.
    hardness = 26 * 17.118
    electric = scale.scale_rate_kg_per_year(hardness, 130, 50)
    gas = scale.scale_rate_kg_per_year(hardness, 130, 50, scale.GAS_FACTOR)
    assert electric == pytest.approx(0.907, rel=0.05)
    assert gas == pytest.approx(0.528, rel=0.05)
    # Softened water in the same test left 14 and 7 g/year: that of about half a grain.
    assert scale.scale_rate_kg_per_year(0.4 * 17.118, 130, 50) == pytest.approx(0.014, rel=0.1)


def test_the_stated_range_holds_the_older_test() -> None:
    # 1980s four-city test (ASHRAE Transactions abstract): 60 lb, put at 20 years' worth, 1.36 kg a year.
    low, high = scale.scale_range(scale.scale_rate_kg_per_year(26 * 17.118, 130, 50, scale.GAS_FACTOR), 0.95)
    assert low < 60 * KG_PER_LB / 20 < high
