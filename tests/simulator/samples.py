"""The sample meters of configs/maps, parsed; and what a value is that was read, in the simulator's own terms."""

from collections.abc import Sequence
from fractions import Fraction
from pathlib import Path

from tallywell.readings.exchange import Read
from tallywell.registers.decode import Decoded, Value, decode
from tallywell.registers.quantity import Kind, RegisterMap
from tallywell.registers.register_map import parse_map
from tallywell.simulator.meter import Meter

MAPS = Path(__file__).parents[2] / "configs" / "maps"
NAMES = sorted(path.stem for path in MAPS.glob("*.yaml"))


def sample(name: str) -> RegisterMap:
    found, problems = parse_map(
        (MAPS / f"{name}.yaml").read_text(), f"{name}.yaml", lambda base: (MAPS / base).read_text()
    )
    assert found is not None, problems
    return found


def asked(meter: Meter, plan: Sequence[Read], utc_ms: int) -> Decoded:
    """Every read of the plan answered, and decoded."""
    raw = b""
    for read in plan:
        answer = meter.answer(read.function, read.register, read.words, utc_ms)
        assert isinstance(answer, bytes), f"{read}: {answer}"
        assert len(answer) == read.content_bytes
        raw += answer
    return decode(meter.map, plan, (1 << len(plan)) - 1, raw)


def tells(value: Value, meter: Meter, utc_ms: int) -> bool:
    """Whether a value that was asked for at `utc_ms` is the meter's own, to the grain of its register."""
    about, own = value.about, meter.value(value.quantity, meter.renewed_ms(utc_ms))
    if value.fault is not None:
        return False
    if about.kind is Kind.TOTAL:
        return value.total is not None and value.total.low <= int(own) <= value.total.high
    if about.kind is Kind.BITS:
        return value.number == own
    if isinstance(own, str):
        return value.text == own
    assert value.number is not None
    grain = 1 if about.kind is Kind.ENUMERATION else about.step * value.factor
    allowed = abs(Fraction(own)) / 2**20 if about.type.is_float else grain / 2
    return abs(value.number - Fraction(own)) <= allowed
