"""From one pass over a point's plan to the row that is stored (pure)."""

import json
from collections.abc import Mapping
from dataclasses import dataclass

from tallywell.readings.exchange import Outcome, Pass, Read
from tallywell.readings.facts import Poll
from tallywell.readings.faults import Fault
from tallywell.registers.blocks import books_read
from tallywell.registers.decode import Decoded, Value, decode
from tallywell.registers.quantity import RegisterMap
from tallywell.service.anchoring import Dating

INT64_MAX = 2**63 - 1


@dataclass(frozen=True, slots=True)
class PointKeys:
    """The record's ids that a row of one plan carries, and what decodes it. `main`: the plan of the books' total.

    `names`: the quantities that it brings.
    """

    point: int
    plan: int
    map: RegisterMap
    reads: tuple[Read, ...]
    main: bool = True
    names: tuple[str, ...] = ()

    def decoded(self, poll: Poll) -> Decoded:
        """What a row of this plan means."""
        return decode(self.map, self.reads, poll.got, poll.raw or b"")


Keys = Mapping[tuple[str, tuple[Read, ...]], PointKeys]  # by point and what was asked


def row(done: Pass, keys: PointKeys, seq: int, run: int, dating: Dating) -> Poll:
    """The row of one pass: words or bits of the reads that came, the first fault, and columns for other tools."""
    came = [outcome for outcome in done.outcomes if outcome.data is not None]
    got = (1 << len(came)) - 1  # a pass stops at its first fault, so what came is a beginning of the plan
    raw = b"".join(outcome.data or b"" for outcome in came)
    decoded = decode(keys.map, keys.reads, got, raw)
    boot_ms = _time_ns(done, keys) // 1_000_000
    return Poll(
        seq=seq,
        run=run,
        point=keys.point,
        plan=keys.plan,
        boot_ms=boot_ms,
        shown_ms=boot_ms + dating.wall_minus_boot_ms,
        utc_ms=dating.utc_ms(boot_ms),
        got=got,
        raw=raw or None,
        fault=_fault(done, decoded, keys),
        refused=_refused(done.outcomes),
        forward=_column(decoded, "forward_total"),
        reverse=_column(decoded, "reverse_total"),
        net=_column(decoded, "net_total"),
        flow=_flow(decoded),
        status=_status(decoded),
    )


def _time_ns(done: Pass, keys: PointKeys) -> int:
    """The time of the read that holds the books' total; where it did not come, that of the last attempt."""
    if not done.outcomes:
        return done.due_ns
    index = books_read(keys.map, keys.reads) or 0
    return done.outcomes[min(index, len(done.outcomes) - 1)].at_ns


def _fault(done: Pass, decoded: Decoded, keys: PointKeys) -> str | None:
    """A plan that is not the books' may bring their total in passing, and without what multiplies it."""
    if done.fault is not None:
        return done.fault.value
    if keys.main and decoded.books is not None and decoded.books.fault is not None:
        return decoded.books.fault.value
    too_large = any(value.total and value.total.count > INT64_MAX for value in decoded.values.values())
    return Fault.OUT_OF_RANGE.value if too_large else None


def _refused(outcomes: tuple[Outcome, ...]) -> str | None:
    listed = [
        {"read": index, "fault": refused.fault.value, "heard": refused.heard.hex()}
        for index, outcome in enumerate(outcomes)
        for refused in outcome.refused
    ]
    codes = [
        {"read": index, "exception": outcome.exception_code}
        for index, outcome in enumerate(outcomes)
        if outcome.exception_code is not None
    ]
    return json.dumps(listed + codes, sort_keys=True, separators=(",", ":")) if listed or codes else None


def _value(decoded: Decoded, name: str) -> Value | None:
    value = decoded.values.get(name)
    return value if value is not None and value.fault is None else None


def _column(decoded: Decoded, name: str) -> int | None:
    value = _value(decoded, name)
    if value is None or value.total is None or value.total.count > INT64_MAX:
        return None
    return value.total.count


def _flow(decoded: Decoded) -> float | None:
    """A wrong word order makes any number of a float64, and times the map's unit it may leave the type."""
    value = _value(decoded, "flow_rate")
    if value is None or value.number is None:
        return None
    try:
        return float(value.number)
    except OverflowError:
        return None


def _status(decoded: Decoded) -> int | None:
    """A status word of more than 63 bits has no column, nor has a number with a fraction."""
    value = _value(decoded, "status")
    if value is None or value.number is None or value.number.denominator != 1 or abs(value.number) > INT64_MAX:
        return None
    return value.number.numerator
