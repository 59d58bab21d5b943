"""The factors of units that people mistake, against published values."""

from fractions import Fraction

import pytest

from tallywell.ledger.factors import factors

# (wrong, right): ratio, published
VOLUMES = [
    ("cubic feet", "US gallons", 7.48052, 1e-5),  # 1728 cubic inches over 231 (NIST SP 811, appendix B)
    ("cubic metres", "US gallons", 264.172, 1e-5),  # 231 cubic inches = 3.785412 E-03 m3 (NIST SP 811, appendix B)
    ("US gallons", "litres", 3.785412, 1e-6),  # the same
    ("imperial gallons", "US gallons", 1.20095, 1e-5),  # 4.54609 L over 3.785412 L (NIST SP 811, appendix B)
    ("acre-feet", "acre-inches", 12, 1e-12),
    ("millions of US gallons", "acre-feet", 3.06888, 1e-5),  # 1 Mgal in ac-ft (OAS unit annex)
    ("cubic metres", "cubic feet", 35.3147, 1e-5),  # 2.831685 E-02 m3 (NIST SP 811, appendix B)
]
FLOWS = [
    ("cfs", "gpm", 448.831, 1e-5),  # Idaho Department of Water Resources: 448.83
    ("L/s", "gpm", 15.8503, 1e-5),  # 1 gpm = 6.309020 E-02 L/s (NIST SP 811, appendix B)
    ("m3/h", "gpm", 4.40287, 1e-5),  # from the same
    ("L/s", "m3/h", 3.6, 1e-12),
    ("cfs", "L/s", 28.31685, 1e-6),  # 2.831685 E-02 m3/s (NIST SP 811, appendix B)
    ("cfs", "m3/h", 101.9406, 1e-6),  # 3600 of these
]


def ratios() -> dict[str, Fraction]:
    return {one.name: one.ratio for one in factors()}


@pytest.mark.parametrize(("great", "small", "published", "within"), VOLUMES)
def test_totals_in_another_unit(great: str, small: str, published: float, within: float) -> None:
    """Counts that are the small unit, taken for the great one, make the total so many times too great."""
    assert float(ratios()[f"a total in {small} taken for {great}"]) == pytest.approx(published, rel=within)
    assert float(ratios()[f"a total in {great} taken for {small}"]) == pytest.approx(1 / published, rel=within)


@pytest.mark.parametrize(("great", "small", "published", "within"), FLOWS)
def test_flow_rates_in_another_unit(great: str, small: str, published: float, within: float) -> None:
    assert float(ratios()[f"a flow rate in {great} taken for {small}"]) == pytest.approx(published, rel=within)
    assert float(ratios()[f"a flow rate in {small} taken for {great}"]) == pytest.approx(1 / published, rel=within)


def test_all_are_held_against_a_published_value() -> None:
    assert len(factors()) == 6 + 2 * len(VOLUMES) + 2 * len(FLOWS)


def test_what_the_caller_knows() -> None:
    own = factors(Fraction(100), Fraction(1, 1000))[:4]
    assert [one.ratio for one in own] == [100, Fraction(1, 100), Fraction(1, 1000), 1000]
    assert factors(Fraction(1)) == factors()
