"""Events put into a month, each with the name that the ledger must give it. Nothing of the ledger says what they are.

An event is planted at a poll, by number. `NEEDS` says what the whole month must be for it; two events go into one month
where their needs agree.
"""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from tests.ledger.months import LONGEST_DAYS, Draft
from tests.ledger.water import DAY, MINUTE, SECOND

Plant = Callable[[Draft, int], None]
SURE_FLOW: dict[str, Any] = {"has_flow": True, "unit": None}
BY_HAND = 14 * MINUTE  # how far off a person's time may be here


@dataclass(frozen=True)
class Event:
    """`needs`: what the draft must be. `edge`: may lie over an edge of the month. `start`: it says where the face
    begins, or where it stands afterwards.
    """

    name: str
    plant: Plant
    needs: dict[str, Any]
    edge: bool = False
    start: bool = False


EVENTS: dict[str, Event] = {}


def event(*, edge: bool = False, start: bool = False, **needs: Any) -> Callable[[Plant], Plant]:
    def known(plant: Plant) -> Plant:
        name = plant.__name__.removeprefix("_").replace("_", " ")
        EVENTS[name] = Event(name, plant, needs, edge, start)
        return plant

    return known


def length(made: Draft, at: int, least: int, most_ms: int = LONGEST_DAYS * DAY) -> int:
    """Polls, few or many alike, so that the record does not end before."""
    most = max(least, min(most_ms // made.every, len(made.polls) - at - 20))
    return min(most, int(least * (most / least) ** made.chance.random()))


def silence(made: Draft, at: int, polls: int, fault: str) -> tuple[int, int]:
    """No poll comes; the last before it and the first after it, by number."""
    first, last = at, at + polls + 1
    made.fates |= dict.fromkeys(range(first + 1, last), fault)
    made.keep_free(first, last)
    return first, last


def between(made: Draft, n: int) -> int:
    """An instant between a poll and the next, at an odd second."""
    return made.chance.randint(made.polls[n] + 6 * SECOND, made.polls[n + 1] - 6 * SECOND)


def standing(made: Draft, ms: int) -> int:
    """Where the totalizer stands, in whole counts, gone round or not."""
    meter = made.meter()
    since, start = made.polls[0] - DAY, made.start
    return int(start + (meter.counted.volume(ms) - meter.counted.volume(since)) / made.one) % made.capacity
