"""Months with events planted in them, by seed. `plants_*` hold the events."""

import random

from tallywell.readings.quantities import Installed
from tests.ledger import plants_meters, plants_readings, plants_silences
from tests.ledger.months import Draft, Month, draft, finished
from tests.ledger.plants import EVENTS, Event
from tests.ledger.water import DAY, HOUR, MINUTE

__all__ = ["EVENTS", "month", "plants_meters", "plants_readings", "plants_silences"]


def month(seed: int, names: tuple[str, ...] | None = None) -> Month:
    """The month of a seed: clean, or with one or two events, which `names` may choose."""
    chosen = chosen_for(seed) if names is None else names
    made = draft(f"month {seed}", {what: value for name in chosen for what, value in EVENTS[name].needs.items()})
    made.installed.append(Installed("first", made.polls[0] - HOUR, None, "A-1", made.scale))
    for place, name in enumerate(chosen):
        EVENTS[name].plant(made, _site(made, place, edge=EVENTS[name].edge))
    return finished(made, chosen)


def chosen_for(seed: int) -> tuple[str, ...]:
    """One of five months is clean; in the others each event has its turn, and every other one gets a second."""
    if seed % 5 == 0:
        return ()
    chance, names = random.Random(seed), sorted(EVENTS)
    first = names[(seed - seed // 5 - 1) % len(names)]
    others = [name for name in names if _agree(EVENTS[first], EVENTS[name])]
    return (first, chance.choice(others)) if others and chance.random() < 1 / 2 else (first,)


def _agree(one: Event, other: Event) -> bool:
    clash = any(other.needs.get(what, value) != value for what, value in one.needs.items())
    alone = one.needs.get("alone") or other.needs.get("alone")
    return one.name != other.name and not alone and not clash and not (one.start and other.start)


def _site(made: Draft, place: int, *, edge: bool) -> int:
    """The first in the first half of the month, the second in the second; now and then over an edge of the month."""
    chance, (begin, end) = made.chance, (made.edges[0], made.edges[-1])
    if edge and chance.random() < 1 / 3:
        at = (begin, end)[place] - chance.randint(MINUTE, 2 * DAY)
    else:
        at = begin + (3 + 14 * place) * DAY + chance.randint(0, 5 * DAY)
    return made.poll_at(at)
