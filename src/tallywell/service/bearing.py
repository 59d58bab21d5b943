"""What people stated that bears on a stretch of a point: each entry with its author, in one sentence.

It bears on it if it is about a time in the stretch, or in an interval that reaches into it, or lasts into it: the meter
that hung there, a season, an estimate. Entries that change no volume say so.
"""

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from zoneinfo import ZoneInfo

from tallywell.ledger.doubt import BY_HAND_MS
from tallywell.ledger.intervals import Flag, Interval
from tallywell.readings.facts import Entry
from tallywell.readings.quantities import Season
from tallywell.reports import words
from tallywell.reports.dates import duration, with_offset
from tallywell.reports.model import VisitLine
from tallywell.reports.shown_units import VolumeUnit
from tallywell.stated.content import EntryError, Kept, about_ms
from tallywell.stated.estimates import estimate
from tallywell.stated.meters import UNREADABLE, is_reset, meter, settled
from tallywell.stated.notes import accuracy_test, error_in_words, out_of_use, remarked, wireseal
from tallywell.stated.rereads import reread
from tallywell.stated.seasons import SHUTDOWN, STARTUP
from tallywell.stated.told import METERS

NO_VOLUME = "it changes no volume"
_UNFIT = {
    Flag.ENTRY_UNFIT: "it is not used, since the readings run on past it",
    Flag.FIRST_UNFIT: "its first count is not used, since it does not lead to the readings behind it",
    Flag.FINAL_UNFIT: "its final count is not used, since it does not follow from the last reading",
}
ANSWERED = frozenset({Flag.SETTLED, *_UNFIT})


@dataclass(frozen=True, slots=True)
class Stretch:
    """What entries are held against. `reach_ms`: from the first to the last reading of the intervals that touch it.

    `seqs`: of these readings, the first and the last; `boots`: the names of their boots. `answered`: the intervals in
    which an answer served, or an entry does not fit.
    """

    point: str
    point_id: int | None
    reach_ms: tuple[int, int]
    seqs: tuple[int, int]
    boots: frozenset[str]
    seasons: tuple[Season, ...]
    visits: tuple[VisitLine, ...]
    answered: tuple[Interval, ...]

    def holds(self, at_ms: int) -> bool:
        return self.reach_ms[0] <= at_ms <= self.reach_ms[1]

    def meets(self, begin_ms: int, end_ms: int | None) -> bool:
        return begin_ms <= self.reach_ms[1] and (end_ms is None or end_ms >= self.reach_ms[0])


def bearing(entries: Iterable[Entry], of: Stretch, unit: VolumeUnit, zone: ZoneInfo) -> Iterator[str]:
    """`entries`: all in force."""
    own = sorted((one for one in entries if _concerns(one, of)), key=lambda one: (about_ms(one), one.seq))
    hanging = _hanging(own, of)
    say = _Saying(of, unit, zone)
    for one in own:
        said = say.of(one, hangs=one is hanging)
        if said:
            when = with_offset(about_ms(one), zone)
            yield f"entry {one.uuid[:8]}, {one.kind}, {when}, by {one.author}: {said}"


def _concerns(entry: Entry, of: Stretch) -> bool:
    """Those of the point; a move is about two of them, and what is said of clocks and dates is about all."""
    if entry.kind in ("clock", "redate") or (entry.point is not None and entry.point == of.point_id):
        return True
    try:
        return Kept.of(entry).content.get("to") == of.point
    except EntryError:
        return False


def _hanging(own: list[Entry], of: Stretch) -> Entry | None:
    """What was entered last of the meter that hung there when the stretch began."""
    before = [one for one in own if one.kind in METERS and about_ms(one) < of.reach_ms[0]]
    return before[-1] if before else None


@dataclass(frozen=True, slots=True)
class _Saying:
    stretch: Stretch
    unit: VolumeUnit
    zone: ZoneInfo

    def of(self, entry: Entry, *, hangs: bool) -> str:
        """Empty where it does not bear on the stretch. What cannot be read says so where it would stand."""
        lasting: dict[str, Callable[[Entry], str]] = {
            "estimate": self._estimate,
            "out-of-use": self._out_of_use,
            "reread": self._reread,
            "clock": self._clock,
            "redate": self._redate,
            SHUTDOWN: self._turned,
            STARTUP: self._turned,
        }
        try:
            if entry.kind in lasting:
                return lasting[entry.kind](entry)
            return self._at_once(entry) if hangs or self.stretch.holds(about_ms(entry)) else ""
        except EntryError as wrong:
            return f"it cannot be taken ({wrong})" if self.stretch.holds(about_ms(entry)) else ""

    def _at_once(self, entry: Entry) -> str:
        if entry.kind in METERS:
            return self._meter(entry)
        known: dict[str, Callable[[Entry], str]] = {
            "visit": self._visit,
            "settle": self._settled,
            "accuracy-test": _tested,
            "wireseal": _sealed,
            "remark": lambda one: f"{remarked(one).text}; {NO_VOLUME}",
        }
        return known.get(entry.kind, _other)(entry)

    def _meter(self, entry: Entry) -> str:
        one = meter(entry, self.stretch.point)
        gone = entry.kind == "moved" and entry.point == self.stretch.point_id
        said = [f"serial {one.serial} was moved to {one.other}" if gone else f"serial {one.serial}"]
        said += [f"moved here from {one.other}"] if entry.kind == "moved" and not gone and one.other else []
        said += [f"converter {one.converter}"] if one.converter else []
        if entry.kind == "changeout":
            said.append(f"the old meter's final count {UNREADABLE if one.old_final is None else one.old_final}")
        if not gone:
            said.append(f"first count on the face {'not noted' if one.first_count is None else one.first_count}")
        return "; ".join(filter(None, [", ".join(said), one.note, self._unfit(one.about_ms)]))

    def _unfit(self, at_ms: int) -> str:
        """What of an entry that begins a count is not used, by the flags of the intervals within a person's watch."""
        near = (one.begin_ms - BY_HAND_MS <= at_ms <= one.end_ms + BY_HAND_MS for one in self.stretch.answered)
        around = [one.flags for one, holds in zip(self.stretch.answered, near, strict=True) if holds]
        found = [words_ for flag, words_ in _UNFIT.items() if any(flag in flags for flags in around)]
        return "; ".join(found)

    def _visit(self, entry: Entry) -> str:
        """As the report compares it."""
        own = about_ms(entry), entry.author, str(Kept.of(entry).content.get("shows")).strip()
        seen = ((one, (one.utc_ms, one.author, one.entered.strip())) for one in self.stretch.visits if not one.when)
        line = next((one for one, same in seen if same == own or (one.fault and same[:2] == own[:2])), None)
        return _other(entry) if line is None else self._face(line)

    def _face(self, line: VisitLine) -> str:
        if line.fault:
            raise EntryError(line.fault)
        agency = "the agency's own person" if line.agency else ""
        return "; ".join(filter(None, [f"face {line.face}, {words.visit_words(line, self.zone)}", agency, line.note]))

    def _turned(self, entry: Entry) -> str:
        at_ms = about_ms(entry)
        own = [one for one in self.stretch.seasons if at_ms in (one.begin_ms, one.end_ms)]
        if not any(self.stretch.meets(one.begin_ms, one.end_ms) for one in own):
            return "" if own or not self.stretch.holds(at_ms) else "no season begins or ends with it"
        face = Kept.of(entry).text_or_none("shows")
        if face is None:
            return "nobody noted the face"
        line = next((one for one in self.stretch.visits if one.when and one.utc_ms == at_ms), None)
        return f"face {face}" if line is None else self._face(line)

    def _settled(self, entry: Entry) -> str:
        if is_reset(entry):
            said = f"the totalizer was reset, to {Kept.of(entry).content.get('first_count')} on the face"
            return "; ".join(filter(None, [said, self._unfit(about_ms(entry))]))
        one = settled(entry)
        said = f"the totalizer went round {one.rollovers} times"
        settled_ = (each for each in self.stretch.answered if Flag.SETTLED in each.flags)
        served = any(each.begin_ms < one.about_ms <= each.end_ms for each in settled_)
        return said if served else f"{said}; no question is open there, so it settles nothing"

    def _estimate(self, entry: Entry) -> str:
        one = estimate(entry)
        if not self.stretch.meets(one.begin_ms, one.end_ms):
            return ""
        span = f"{with_offset(one.begin_ms, self.zone)} to {with_offset(one.end_ms, self.zone)}"
        stands = f"{self.unit.text(one.m3)} {one.standing.value} what was metered from {span}"
        return f"{stands}: {one.sum}; {one.reason}; in the report's total, never in a metered volume"

    def _out_of_use(self, entry: Entry) -> str:
        one = out_of_use(entry)
        if not self.stretch.meets(one.begin_ms, one.end_ms):
            return ""
        until = "on" if one.end_ms is None else f"to before {with_offset(one.end_ms, self.zone)}"
        return f"out of use from {with_offset(one.begin_ms, self.zone)} {until}: {one.reason}; {NO_VOLUME}"

    def _reread(self, entry: Entry) -> str:
        one, (first, last) = reread(entry), self.stretch.seqs
        if one.last_seq < first or one.first_seq > last:
            return ""
        return f"polls {one.first_seq} to {one.last_seq} are read by map {one.name} ({one.sha256[:12]}): {one.because}"

    def _redate(self, entry: Entry) -> str:
        kept, (first, last) = Kept.of(entry), self.stretch.seqs
        if kept.whole("last_seq") < first or kept.whole("first_seq") > last:
            return ""
        shift = kept.whole("shift_ms")
        way = "later" if shift > 0 else "earlier"
        rows = f"rows {kept.whole('first_seq')} to {kept.whole('last_seq')}"
        return f"{rows} are dated {duration(abs(shift))} {way}: {kept.text('because')}"

    def _clock(self, entry: Entry) -> str:
        kept = Kept.of(entry)
        if kept.content.get("boot_id") not in self.stretch.boots:
            return ""
        at = with_offset(kept.whole("it_is_ms"), self.zone)
        within = duration(kept.whole("within_ms"))
        return f"it was {at} within {within}; readings of that start of the machine without a date are dated by it"


def _tested(entry: Entry) -> str:
    one = accuracy_test(entry)
    said = f"the meter shows {error_in_words(one.error)} against {one.reference}, by {one.tester}"
    return "; ".join(filter(None, [said, one.note, NO_VOLUME]))


def _sealed(entry: Entry) -> str:
    one = wireseal(entry)
    return "; ".join(filter(None, [f"wire seal {one.number} {one.state}", one.note, NO_VOLUME]))


def _other(entry: Entry) -> str:
    """Of a kind that has no sentence here: its content as it was kept."""
    kept = Kept.of(entry).content.items()
    return ", ".join(f"{name.replace('_', ' ')} {value}" for name, value in kept if value not in (None, "", False))
