"""What a meter refuses, in words: which registers, what they should have brought, and what to do (pure)."""

import json
from collections.abc import Sequence
from dataclasses import dataclass

from tallywell.readings.exchange import Read
from tallywell.readings.facts import Poll
from tallywell.readings.faults import Fault
from tallywell.registers.decode import holds
from tallywell.registers.quantity import RegisterMap
from tallywell.schedule.again import WRONG_MAP
from tallywell.service.rows import PointKeys

REFUSED, ANSWERED = "read_refused", "read_answered"  # events of the record
_TABLES = {1: "coil", 2: "discrete input", 3: "holding register", 4: "input register"}
# Names: Modbus Application Protocol V1.1b3, section 7.
_CODES = {
    1: (
        "illegal function",
        "it does not know this table: look in its manual whether these are input or holding registers",
    ),
    2: (
        "illegal data address",
        "it lacks one of these registers: check number, numbering, table and model; gaps go under do_not_read",
    ),
    3: (
        "illegal data value",
        "it does not give so many at once, or not from there: check words_per_read and exact_reads in the map",
    ),
    4: ("server device failure", "it failed while it read them: look at its own display and diagnostics"),
    5: ("acknowledge", "it needs longer and is asked again a little later"),
    6: (
        "server device busy",
        "it is asked again a little later; where it stays busy, poll it less often or look for another master",
    ),
    8: ("memory parity error", "its memory is damaged: have the meter looked at"),
}


@dataclass(frozen=True, slots=True)
class Refusal:
    """One read that was refused with this exception code; `names`: the quantities in it."""

    read: Read
    code: int
    names: tuple[str, ...]

    @property
    def said(self) -> str:
        name, do = _CODES.get(self.code, ("of its maker's", "look it up in the manual"))
        last = self.read.register + self.read.words - 1
        numbers = f"s {self.read.register} to {last}" if self.read.words > 1 else f" {last}"
        brought = f" ({', '.join(self.names)})" if self.names else ""
        what = f"it refuses {_TABLES[self.read.function]}{numbers} on the wire{brought}"
        return f"{what} with exception {self.code}, {name}: {do}"


def refusal_of(poll: Poll, reads: Sequence[Read], register_map: RegisterMap) -> Refusal | None:
    """What ended this pass, if a refusal did."""
    if poll.fault != Fault.EXCEPTION or poll.refused is None:
        return None
    for one in json.loads(poll.refused):
        if "exception" in one:
            read = reads[one["read"]]
            names = tuple(name for name, quantity in register_map.quantities.items() if holds(read, quantity))
            return Refusal(read, one["exception"], names)
    return None


class Refusals:
    """Which plans are refused at present for what is the map's fault; each is noted once, and so is its end."""

    def __init__(self) -> None:
        self._told: dict[tuple[str, int], Refusal] = {}

    def after(
        self, point: str, keys: PointKeys, poll: Poll, refusal: Refusal | None
    ) -> tuple[tuple[str, dict[str, object]], ...]:
        """Names and contents of the events that this poll calls for."""
        of = point, keys.plan
        told = self._told.get(of)
        if refusal is not None and refusal.code in WRONG_MAP and refusal != told:
            self._told[of] = refusal
            content = _content(point, refusal) | {"exception": refusal.code, "quantities": list(refusal.names)}
            return ((REFUSED, content),)
        if poll.fault is None and told is not None:
            del self._told[of]
            return ((ANSWERED, _content(point, told)),)
        return ()


def _content(point: str, refusal: Refusal) -> dict[str, object]:
    read = refusal.read
    return {"point": point, "function": read.function, "register": read.register, "words": read.words}


def refusal_noted(content: str) -> tuple[str, Refusal]:
    """The point and the refusal of a stored event; of ANSWERED without code and names."""
    told = json.loads(content)
    read = Read(told["function"], told["register"], told["words"])
    return told["point"], Refusal(read, told.get("exception", 0), tuple(told.get("quantities", ())))
