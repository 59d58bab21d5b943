"""All that is in force about one point, read: what the ledger takes, what a report prints, what cannot be read."""

from collections.abc import Callable, Iterable
from dataclasses import dataclass, field

from tallywell.readings.facts import Entry
from tallywell.readings.quantities import Answer, HandReading, Installed, Scale, Season, Settled
from tallywell.readings.statements import AccuracyTest, Estimate, OutOfUse, Remarked, WireSeal, Withdrawn
from tallywell.reports.face import Face
from tallywell.stated.content import Content, EntryError, Kept, about_ms
from tallywell.stated.estimates import estimate
from tallywell.stated.meters import Meter, answer, installed, is_reset, meter, settled
from tallywell.stated.notes import accuracy_test, out_of_use, remarked, wireseal
from tallywell.stated.rereads import Reread, reread
from tallywell.stated.seasons import SHUTDOWN, STARTUP, Turned, seasons, turned
from tallywell.stated.visits import Visited, visited
from tallywell.stated.withdrawn import WITHDRAW, withdrawn

METERS = frozenset({"installation", "changeout", "moved"})
OF_A_POINT = METERS | {
    "visit",
    SHUTDOWN,
    STARTUP,
    "out-of-use",
    "estimate",
    "accuracy-test",
    "wireseal",
    "remark",
    "settle",
    "reread",
    WITHDRAW,
}
FACES = frozenset({"visit", SHUTDOWN, STARTUP})  # whose entry may say what a face showed
KINDS = OF_A_POINT | {"clock", "redate"}  # what may be entered; the record keeps the kind as text


def families(kind: str, content: Content) -> frozenset[str]:
    """What an entry may stand in the place of: one of its own kind. All that begins a meter's count is of one family,
    as one and the same event may turn out to be any of these.
    """
    meter = kind in METERS or (kind == "settle" and content.get("reset") is True)
    own = frozenset() if kind in METERS else frozenset({kind})
    return own | {"meter"} if meter else own


@dataclass(frozen=True, slots=True)
class Unread:
    """An entry that cannot be taken, and why."""

    entry: Entry
    about_ms: int
    why: str


@dataclass(slots=True)
class Told:
    """In order of their dates. `served`: uuids of all entries that were read."""

    installed: list[Installed] = field(default_factory=list)
    meters: list[Meter] = field(default_factory=list)
    seasons: tuple[Season, ...] = ()
    settled: list[Settled] = field(default_factory=list)
    answers: list[Answer] = field(default_factory=list)
    turns: list[Turned] = field(default_factory=list)
    visits: list[Visited] = field(default_factory=list)
    estimates: list[Estimate] = field(default_factory=list)
    out_of_use: list[OutOfUse] = field(default_factory=list)
    tests: list[AccuracyTest] = field(default_factory=list)
    seals: list[WireSeal] = field(default_factory=list)
    remarks: list[Remarked] = field(default_factory=list)
    rereads: list[Reread] = field(default_factory=list)
    withdrawn: list[Withdrawn] = field(default_factory=list)
    unread: list[Unread] = field(default_factory=list)
    served: list[str] = field(default_factory=list)

    @property
    def hands(self) -> tuple[HandReading, ...]:
        return tuple(one.reading for one in self.visits)


@dataclass(frozen=True, slots=True)
class Of:
    """A point: its number in the record, its name, how its meter's face shows, what its total counts."""

    id: int
    name: str
    face: Face
    scale: Scale


def told(entries: Iterable[Entry], of: Of) -> Told:
    """`entries`: all that are in force in the record; those about other points are passed over."""
    found = Told()
    for entry in sorted(entries, key=lambda one: (about_ms(one), one.seq)):
        if entry.kind not in OF_A_POINT or not _concerns(entry, of):
            continue
        try:
            _read(entry, of, found)
            found.served.append(entry.uuid)
        except EntryError as wrong:
            found.unread.append(Unread(entry, about_ms(entry), str(wrong)))
    found.seasons = seasons(found.turns)
    return found


def _concerns(entry: Entry, of: Of) -> bool:
    """A move is about two points: the entry names the old one, its content the new one; so does its withdrawal."""
    if entry.point == of.id:
        return True
    try:
        return entry.kind in ("moved", WITHDRAW) and Kept.of(entry).content.get("to") == of.name
    except EntryError:
        return False


def _read(entry: Entry, of: Of, found: Told) -> None:
    if entry.kind in METERS:
        found.installed.append(installed(entry, of.face, of.scale, of.name))
        found.meters.append(meter(entry, of.name))
    elif entry.kind == "visit":
        found.visits.append(visited(entry, of.face, of.scale))
    elif entry.kind in (SHUTDOWN, STARTUP):
        found.turns.append(turned(entry, of.face, of.scale))
    elif entry.kind == "settle":
        if is_reset(entry):
            found.installed.append(installed(entry, of.face, of.scale, of.name))
        else:
            found.settled.append(settled(entry))
        found.answers.append(answer(entry))
    else:
        _note(entry, found)


def _note(entry: Entry, found: Told) -> None:
    notes: dict[str, Callable[[], None]] = {
        "estimate": lambda: found.estimates.append(estimate(entry)),
        "out-of-use": lambda: found.out_of_use.append(out_of_use(entry)),
        "accuracy-test": lambda: found.tests.append(accuracy_test(entry)),
        "wireseal": lambda: found.seals.append(wireseal(entry)),
        "remark": lambda: found.remarks.append(remarked(entry)),
        "reread": lambda: found.rereads.append(reread(entry)),
        WITHDRAW: lambda: found.withdrawn.append(withdrawn(entry)),
    }
    notes[entry.kind]()
