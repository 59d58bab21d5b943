"""Meters invented for a site: one for each point, with a flow that its pipe could carry. Same seed, same water.

What a meter shows is a function of the instant alone: the flow repeats from a fixed beginning, so that a simulator that
is started again goes on where the true total would stand by then, and never falls back.
"""

from dataclasses import replace
from fractions import Fraction

from tallywell.registers.numbers import limits
from tallywell.registers.quantity import Kind, Quantity, RegisterMap
from tallywell.simulator.meter import Meter, one_count_m3
from tallywell.simulator.profile import HOUR_MS, MINUTE_MS, Piece, Profile, Pump, irrigation
from tallywell.simulator.recipes import DAY_MS, Rollover, Silent

BEGINNING_MS = 1_577_836_800_000  # 2020-01-01 UTC
ROUND_MS = 28 * DAY_MS
SHARES = (12, 16, 20, 25)  # percent of what the pipe could carry at most; 10 m/s is far above what pumps do
ROOM = Fraction(4, 5)  # of what the flow's register can say

NOTHING = Profile((Piece(BEGINNING_MS, 0),))


def invented(address: int, register_map: RegisterMap, possible_m3s: Fraction, seed: str) -> Meter:
    """A meter whose pump runs for hours and rests for minutes, at a rate drawn from the seed."""
    share = Fraction(SHARES[sum(seed.encode()) % len(SHARES)], 100)
    rate_m3s = min([possible_m3s * share, *_limits_m3s(Meter(address, register_map, NOTHING))])
    pump = Pump(
        max(1, int(rate_m3s / one_count_m3(register_map) * 10**6)),
        runs_ms=(HOUR_MS, 6 * HOUR_MS),
        rests_ms=(10 * MINUTE_MS, 40 * MINUTE_MS),
    )
    pieces = irrigation(pump, seed, BEGINNING_MS, BEGINNING_MS + ROUND_MS)
    return Meter(address, register_map, Profile(pieces, ROUND_MS))


def going_round(meter: Meter, soon_ms: int) -> Meter:
    """The same meter, its total going round with the first count after `soon_ms`."""
    books = meter.map.books
    if books is None:
        return meter
    first = Rollover(soon_ms).first_count(meter.profile, meter.scale(books).capacity)
    return replace(meter, first_count=first)


def silent(meter: Meter, spell: Silent) -> Meter:
    """The same meter, which does not answer meanwhile."""
    return replace(meter, silences=(*meter.silences, spell))


def resting(meter: Meter, from_ms: int) -> Meter:
    """The same meter, its pump standing still: its total is what it was at `from_ms`."""
    first = meter.first_count + int(meter.profile.volume(from_ms))
    return replace(meter, profile=NOTHING, first_count=first)


def _limits_m3s(meter: Meter) -> list[Fraction]:
    flows = [q for q in meter.map.quantities.values() if q.kind is Kind.FLOW and q.setting is None]
    return [most * (q.si_per_unit or 1) * ROOM for q in flows for most in _most(meter, q) if most > 0]


def _most(meter: Meter, quantity: Quantity) -> list[Fraction]:
    most = [] if quantity.valid.high is None else [quantity.valid.high]
    if not quantity.type.is_float:
        highest = limits(quantity.type, quantity.words)[1]
        most.append(highest * quantity.step * meter.factor(quantity) + quantity.offset)
    return most
