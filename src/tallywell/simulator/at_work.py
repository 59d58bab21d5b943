"""Troubles at work on one line: whom each strikes when, and what it remembers of each meter. Pure, chance by seed."""

from collections.abc import Iterable
from dataclasses import dataclass, field, replace

from tallywell.line.timing import Timing
from tallywell.simulator.meter import MS_NS, Meter
from tallywell.simulator.station import Answer, Answers
from tallywell.simulator.trouble import RECIPES, Dice, Event, Recipe, Scene, Trouble, next_event

NEVER_NS = 2**63 - 1
Played = tuple[Answers, tuple[Recipe, ...]]  # what comes instead, and which recipes changed it


@dataclass(slots=True)
class _One:
    trouble: Trouble
    dice: Dice
    memory: dict[int, dict[str, int]] = field(default_factory=dict)
    event: Event | None = None
    event_ns: int = NEVER_NS

    def of(self, address: int) -> dict[str, int]:
        return self.memory.setdefault(address, {})

    def foresee(self, from_ns: int, settings: Timing, ours: frozenset[int]) -> None:
        self.event = next_event(self.trouble, self.dice, settings, ours)
        self.event_ns = NEVER_NS if self.event is None else from_ns + self.event.after_ns


class AtWork:
    """Each trouble has chance of its own: what one draws changes no other. They strike in the order of RECIPES."""

    def __init__(
        self, troubles: Iterable[Trouble], settings: Timing, ours: Iterable[int], seed: str, now_ns: int
    ) -> None:
        self._settings, self._ours = settings, frozenset(ours)
        self._all = [_One(t, Dice(f"{seed} {n} {t.recipe.name}")) for n, t in enumerate(_sorted(troubles))]
        self._answering = [one for one in self._all if one.trouble.recipe.answer]
        self._asking = [one for one in self._all if one.trouble.recipe.request]
        for one in self._all:
            one.foresee(now_ns, settings, self._ours)

    def hears(self, address: int, utc_ms: int) -> bool:
        """Whether this meter listens now."""
        return all(one.memory.get(address, {}).get("busy_until_ms", 0) <= utc_ms for one in self._answering)

    def answers(self, answers: Answers, meter: Meter, utc_ms: int) -> Played:
        """What comes instead of `answers`, one trouble after the other."""
        struck: list[Recipe] = []
        free_ms = self._free_ms(meter.address)
        for one in self._answering:
            changed = tuple(new for answer in answers for new in self._played(one, answer, meter, utc_ms))
            if changed != answers:
                struck.append(one.trouble.recipe)
            answers = changed
        return tuple(self._in_turn(answer, meter.address, utc_ms, free_ms) for answer in answers), tuple(struck)

    def _played(self, one: _One, answer: Answer, meter: Meter, utc_ms: int) -> Answers:
        play = one.trouble.recipe.answer
        if play is None or not one.trouble.strikes(meter.address, one.dice):
            return (answer,)
        return play(answer, Scene(one.dice, self._settings, meter, utc_ms, one.of(meter.address)))

    def _free_ms(self, address: int) -> int:
        """When this meter has said all that it owes; in the past where it owes nothing."""
        return max((one.memory.get(address, {}).get("free_ms", 0) for one in self._answering), default=0)

    def _in_turn(self, answer: Answer, address: int, utc_ms: int, free_ms: int) -> Answer:
        """A meter that owed an answer when it was asked gives that before this one, and a silence between the two."""
        if free_ms <= utc_ms:
            return answer
        answer = replace(answer, delay_ns=max(answer.delay_ns, (free_ms - utc_ms) * MS_NS))
        over_ms = answer.over_ms(utc_ms, self._settings)
        for one in self._answering:
            if "free_ms" in one.of(address):
                one.of(address)["free_ms"] = over_ms
        return answer

    def echoes(self, frame: bytes) -> tuple[bytes, tuple[Recipe, ...]]:
        """What the reader's adapter hears of a request while it sends it: all of it or its end."""
        for one in self._asking:
            play = one.trouble.recipe.request
            if play is not None and one.trouble.strikes(frame[0], one.dice):
                return play(frame, one.dice), (one.trouble.recipe,)
        return b"", ()

    def next_ns(self) -> int:
        """When something happens by itself."""
        return min((one.event_ns for one in self._all), default=NEVER_NS)

    def events(self, at_ns: int) -> list[Event]:
        """What happens by itself at `at_ns`; each is followed by its next."""
        found = []
        for one in self._all:
            if one.event is not None and one.event_ns <= at_ns:
                found.append(one.event)
                one.foresee(at_ns + one.event.lasts_ns(self._settings), self._settings, self._ours)
        return found


def _sorted(troubles: Iterable[Trouble]) -> list[Trouble]:
    """As things go: what is torn or frozen in the meter is so before its frame is damaged on the way."""
    places = {name: place for place, name in enumerate(RECIPES)}
    return sorted(troubles, key=lambda trouble: places.get(trouble.recipe.name, len(places)))
