"""The sample maps against words written down by hand, as the meters' manuals would print them."""

from fractions import Fraction
from pathlib import Path

from tallywell.readings.exchange import Read
from tallywell.readings.faults import Fault
from tallywell.readings.total import Total
from tallywell.readings.units import VOLUMES
from tallywell.registers.blocks import reads
from tallywell.registers.decode import Decoded, decode
from tallywell.registers.register_map import RegisterMap, parse_map

MAPS = Path(__file__).parents[2] / "configs" / "maps"


def sample(name: str) -> RegisterMap:
    found, problems = parse_map((MAPS / name).read_text(), name)
    assert problems == ()
    assert found is not None
    return found


def heard(register_map: RegisterMap, words: str) -> Decoded:
    """Decode all reads of the plan from words in hexadecimal."""
    plan = reads(register_map)
    return decode(register_map, plan, (1 << len(plan)) - 1, bytes.fromhex(words))


def test_integer_totals_with_the_high_word_first() -> None:
    """890,572 = 13 x 65,536 + 38,604. The dial 890572 of 100 gal reads 89,057,200 gal (Upper Niobrara White NRD)."""
    found = sample("inline-a.yaml")
    assert reads(found) == (Read(4, 0, 6), Read(3, 20, 1))
    values = heard(found, "4452 a000  000d 96cc  0000 0007  0005")
    assert values.values["flow_rate"].number == Fraction("842.5")
    assert values.values["flow_rate"].shown == "842.5 gpm"
    assert values.values["forward_total"].total == Total.exact(890_572)
    assert values.values["forward_total"].shown == "89,057,200 gal"
    assert values.values["reverse_total"].total == Total.exact(7)
    assert values.values["status"].bits == {"external_power", "empty_pipe"}
    assert values.not_counting == {"empty_pipe"}
    assert values.books == values.values["forward_total"]
    assert found.books is not None
    assert found.books.scale.capacity == 10**8
    assert found.books.scale.one_count_m3 == 100 * VOLUMES["gal"]


def test_a_flow_beyond_the_valid_range_is_shown_and_not_kept() -> None:
    values = heard(sample("inline-a.yaml"), "4520 0000  0000 0001  0000 0000  0000")  # 2560 gpm
    flow = values.values["flow_rate"]
    assert (flow.fault, flow.si, flow.shown) == (Fault.OUT_OF_RANGE, None, "2,560 gpm (out of range)")


def test_float_totals_with_the_low_word_first() -> None:
    """binary64 of 1000.5 is 408F 4400 0000 0000, binary32 of 2.5 is 4020 0000 (IEEE 754-2019, 3.4)."""
    found = sample("insert-b.yaml")
    assert reads(found) == (Read(3, 100, 8),)
    values = heard(found, "0000 4020  0000 3f80  0000 0000 4400 408f")
    assert values.values["flow_rate"].shown == "2.5 cfs"
    assert values.values["velocity"].shown == "1 ft_per_s"
    assert values.values["velocity"].si is None
    assert values.values["forward_total"].total == Total.exact(1_000_500)
    assert values.values["forward_total"].shown == "1,000.5 acre_foot"
    assert values.values["forward_total"].si == Fraction("1000.5") * VOLUMES["acre_foot"]


def test_the_number_that_means_no_value() -> None:
    """binary32 of -9999 is C61C 3C00."""
    values = heard(sample("insert-b.yaml"), "3c00 c61c  0000 3f80  0000 0000 4400 408f")
    assert values.values["flow_rate"].fault is Fault.NO_VALUE
    assert values.values["velocity"].fault is None


def test_status_bits_and_numbers_in_steps() -> None:
    found = sample("spool-c.yaml")
    assert reads(found) == (Read(4, 0, 15),)
    words = "8000 0301  0000 0000  0000 04d2  0000 0000 0001 e240  fffb ffff ffff ffff  ff9c"
    values = heard(found, words)
    assert values.values["status"].bits == {"external_power", "empty_pipe", "no_excitation", "settings_changed"}
    assert values.not_counting == {"empty_pipe", "no_excitation"}
    assert values.values["flow_rate"].shown == "12.34 L/s"
    assert values.values["flow_rate"].si == Fraction("0.01234")
    assert values.values["forward_total"].total == Total.exact(123_456)
    assert values.values["net_total"].total == Total.exact(-5)
    assert values.values["liquid_temperature"].shown == "-10 degC"
    assert found.limits.pause_ns == 20_000_000
    no_flow = heard(found, words.replace("0000 04d2", "8000 0000"))
    assert no_flow.values["flow_rate"].fault is Fault.NO_VALUE
