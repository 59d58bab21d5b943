"""What begins and ends segments, from entries and from the serial numbers that the meter itself gave, before any fold.

A serial number that is read back and differs from the one before, with no entry in between that says why, begins a
segment that nobody confirms: another meter may hang there. Its counts are withheld from the well until an entry (an
installation, a change-out) explains it. Where the first serial number since an entry is not the one on the plate that
was entered, the entry stands, and a report says so: a plate may bear another number than a register.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace

from tallywell.ledger.doubt import BY_HAND_MS
from tallywell.readings.quantities import Change, Installed, SerialRead

_NEW_METER = frozenset({Change.INSTALLED, Change.CHANGED, Change.MOVED_HERE, Change.REMOVED})


def same_serial(one: str, other: str) -> bool:
    """Whether two writings name one meter: cases, blanks, strokes and leading zeros make no difference."""
    return _bare(one) == _bare(other)


def _bare(serial: str) -> str:
    return "".join(filter(str.isalnum, serial.casefold())).lstrip("0")


def changes_of(installed: Iterable[Installed], read: Iterable[SerialRead]) -> tuple[Installed, ...]:
    """All changes in order: the entries, each with the serial number that was read first after it, and what the serial
    numbers alone say.
    """
    following = _Following()
    entries = sorted(installed, key=lambda entry: (entry.about_ms, entry.uuid))
    reads = sorted(read, key=lambda one: one.seq)
    for at, seen in enumerate(reads):
        until = _date_ms(reads[at:])
        following.enter_until(entries, until)
        if until is not None and following.others(seen):
            following.enter_until(entries, until + BY_HAND_MS)  # a person's watch
        following.read(seen)
    following.enter_until(entries, None)
    return tuple(following.found)


def _date_ms(reads: Sequence[SerialRead]) -> int | None:
    """The date of the first of these, or of a boot without one that of the next; None: no later one is dated."""
    dated = (one.when.utc_ms for one in reads)
    return next((at for at in dated if at is not None), None)


@dataclass(slots=True)
class _Following:
    """`known`: the serial numbers read last, by quantity. `entry`: where the last one stands in `found`.

    `open`: that entry still explains whatever other serial number comes next: the meter is noted to be another, and the
    number known so far is not the one entered.
    """

    found: list[Installed] = field(default_factory=list)
    known: dict[str, str] = field(default_factory=dict)
    entry: int | None = None
    open: bool = False

    def enter_until(self, entries: list[Installed], until_ms: int | None) -> None:
        """Take those that are dated up to then, or all, off the front of `entries`."""
        while entries and (until_ms is None or entries[0].about_ms <= until_ms):
            self.enter(entries.pop(0))

    def enter(self, entry: Installed) -> None:
        self.found.append(entry)
        if entry.change in _NEW_METER:
            self.entry, self.open = len(self.found) - 1, True
            self._recognise(self.known)

    def others(self, seen: SerialRead) -> list[str]:
        """The serial numbers that differ from those read before."""
        known = self.known
        return [now for name, now in seen.serials if name in known and not same_serial(now, known[name])]

    def read(self, seen: SerialRead) -> None:
        others, explained = self.others(seen), self.open
        self.known |= dict(seen.serials)
        self._recognise(dict(seen.serials), any_will_do=True)
        if others and not explained:
            self._changed(seen, others[0])

    def _recognise(self, serials: dict[str, str], *, any_will_do: bool = False) -> None:
        """Close the entry with the serial number that it names, or with the first other one that came after it."""
        if self.entry is None or not self.open:
            return
        entered = self.found[self.entry]
        named = [one for one in serials.values() if any(same_serial(one, plate) for plate in _plates(entered))]
        back = named or (list(serials.values()) if any_will_do else [])
        if back:
            self.found[self.entry], self.open = replace(entered, read_back=back[0]), False

    def _changed(self, seen: SerialRead, serial: str) -> None:
        entered = None if self.entry is None else self.found[self.entry]
        plates = () if entered is None else (*_plates(entered), entered.read_back or "")
        back = any(same_serial(serial, plate) for plate in plates if plate)
        about = seen.when.utc_ms if seen.when.utc_ms is not None else self._latest_ms()
        change = Installed(f"seq {seen.seq}", about, None, serial, change=Change.SERIAL, after_seq=seen.seq)
        self.found.append(replace(change, withheld=not back))

    def _latest_ms(self) -> int:
        """A boot without a date lies behind all that came before it."""
        return max((one.about_ms for one in self.found), default=0)


def _plates(entered: Installed) -> tuple[str, ...]:
    return tuple(one for one in (entered.serial, entered.converter) if one)
