"""A stretch explained in sentences, from the volume down. One that begins with blanks belongs to the one above it."""

from collections.abc import Iterator, Sequence
from fractions import Fraction
from zoneinfo import ZoneInfo

from tallywell.ledger.intervals import NOTES, OF_SEGMENT, POSTS, SURE, Flag, Interval, Kind
from tallywell.ledger.rules import Rules
from tallywell.reports.dates import duration, with_offset
from tallywell.reports.decimals import decimal
from tallywell.reports.remark_words import FLAGS
from tallywell.reports.shown_units import RateUnit, VolumeUnit
from tallywell.reports.stated_words import WITHHELD_DO
from tallywell.reports.words import cause
from tallywell.service.bearing import bearing
from tallywell.service.edge_words import edge_sentences, left_open, reading_said
from tallywell.service.explaining import Explained, Piece

_STANDING = SURE | NOTES | {Kind.SHUT_DOWN}
_FLAGS = FLAGS | {Flag.GAP: "no readings inside it"}


def sentences(of: Explained, unit: VolumeUnit, rate: RateUnit, zone: ZoneInfo) -> Iterator[str]:
    """Volume, edges and what lies between them, what people stated of it."""
    if of.posted:
        yield from _volume(of, unit)
        yield from edge_sentences("begin", of.sum.begin, of.begin, zone)
        for piece in of.pieces:
            yield from note(piece, zone) if piece.first.kind in NOTES else _piece(piece, of, unit, zone)
        yield from edge_sentences("end", of.sum.end, of.end, zone)
        yield from _most(of, rate)
    else:
        yield "nothing is metered in it: the record has no two good readings around any of it"
    yield from _unread(of, zone)
    yield from bearing(of.entries, of.stretch, unit, zone)


def _unread(of: Explained, zone: ZoneInfo) -> Iterator[str]:
    if of.posted:
        for begin_ms, end_ms in of.sum.unread:
            side = "before the first" if begin_ms == of.begin_ms else "after the last"
            span = f"from {with_offset(begin_ms, zone)} to {with_offset(end_ms, zone)}"
            yield f"not in it: {span}, {side} good reading around it"
    if any(end_ms == of.end_ms for _, end_ms in of.sum.unread):
        yield from outside(of.begin_ms, of.end_ms, of.known_ms, zone)
    elif of.sum.unread:
        yield from outside(of.begin_ms, of.begin_ms, of.known_ms, zone)


def outside(begin_ms: int, end_ms: int, known_ms: tuple[int, int] | None, zone: ZoneInfo) -> Iterator[str]:
    """What of a stretch lies before the record begins or after it ends."""
    if known_ms is None:
        yield "the record holds nothing with a date yet"
        return
    first, last = known_ms
    if begin_ms < first:
        yield f"the record begins {with_offset(first, zone)}: of what was before it, nothing is known"
    if end_ms > last:
        yield f"the record ends {with_offset(last, zone)}: what comes after it is not known yet"


# --- the volume


def _volume(of: Explained, unit: VolumeUnit) -> Iterator[str]:
    whole = of.sum.whole
    own = [piece for piece in of.pieces if not piece.first.segment.withheld]
    low, high = unit.number(whole.low_m3), unit.text(whole.high_m3)
    if not any(piece.first.kind in POSTS for piece in own):
        yield f"no volume: all that was counted in it is withheld, so that at most {high} are the well's"
    else:
        yield f"volume {unit.text(whole.volume_m3)}, at least {low}, at most {high}"
    if own:
        yield f"  = {_counts(own, unit)}{_explicit_zero(of)}"
    yield from _not_in_it(of, unit)
    scales = {piece.first.scale.one_count_m3 for piece in of.pieces}
    if len(scales) == 1:
        yield from _bounds(of, scales.pop())


def _counts(pieces: Sequence[Piece], unit: VolumeUnit) -> str:
    """By each volume of one count, in order."""
    sums: dict[Fraction, int] = {}
    for piece in pieces:
        one = piece.first.scale.one_count_m3
        sums[one] = sums.get(one, 0) + piece.counts
    return " + ".join(f"{counts:,} counts x {unit.text(one)} a count" for one, counts in sums.items())


def _explicit_zero(of: Explained) -> str:
    """A zero has to be read: from end to end, on both sides of all of it."""
    stood = all(piece.first.kind in _STANDING and not _moved(piece) for piece in of.pieces)
    return ": an explicit zero, since the total was read and did not move" if stood and not of.sum.unread else ""


def _moved(piece: Piece) -> bool:
    """Also where nothing is posted for it, or it is withheld."""
    return piece.last.closing != piece.first.opening or piece.first.rollovers > 0 or piece.first.segment.withheld


def _not_in_it(of: Explained, unit: VolumeUnit) -> Iterator[str]:
    aside = [piece for piece in of.pieces if piece.first.segment.withheld]
    if aside:
        counts = sum(piece.counts for piece in aside)
        yield (
            f"  not in it: {counts:,} counts = {unit.text(of.sum.whole.withheld_m3)} of a meter whose serial number no "
            "entry explains; its upper bound holds them"
        )
    for piece in of.pieces:
        if _unallocated(piece, of):
            undated = f"{piece.first.posted:,} counts = {unit.text(piece.first.volume_m3)}"
            yield f"  not in it: {undated} that nobody can date: unallocated; its upper bound holds them"


def _unallocated(piece: Piece, of: Explained) -> bool:
    return not piece.first.divides and piece.first.posted != 0 and not _whole(piece, of)


def _bounds(of: Explained, one_count_m3: Fraction) -> Iterator[str]:
    """From the counts to their least and greatest: what the edges leave open, and what lies between them. Nothing where
    the least is cut at zero.
    """
    whole, (begin, end) = of.sum.whole, (left_open(of.sum.begin, of.begin), left_open(of.sum.end, of.end))
    counts, low, high = (int(m3 / one_count_m3) for m3 in (whole.volume_m3, whole.low_m3, whole.high_m3))
    aside = int(whole.withheld_m3 / one_count_m3)
    less, more = counts - low - begin[1] - end[0], high - counts - aside - begin[0] - end[1]
    if less < 0 or more < 0 or low == high:
        return
    beside = f" - {less:,} (not sure in between)" if less else ""
    yield f"  at least {low:,} counts: {counts:,} - {begin[1]:,} (begin higher) - {end[0]:,} (end lower){beside}"
    beside = (f" + {more:,} (not sure in between)" if more else "") + (f" + {aside:,} (withheld)" if aside else "")
    yield f"  at most {high:,} counts: {counts:,} + {begin[0]:,} (begin lower) + {end[1]:,} (end higher){beside}"


def _most(of: Explained, rate: RateUnit) -> Iterator[str]:
    one = next((piece.first for piece in of.pieces if piece.first.rules is not None), None)
    if one is not None and one.rules is not None:
        yield f"the most that passes: {possible(one, one.rules, rate)}"


def possible(one: Interval, rules: Rules, rate: RateUnit) -> str:
    """The possible rate in counts, to do the sums with."""
    counts = decimal(rules.possible_rate_m3s / one.scale.one_count_m3, 8)
    return (
        f"{counts} counts a second (possible rate {rate.text(rules.possible_rate_m3s)}), in whole counts, and one more"
    )


# --- what lies between the edges


def note(piece: Piece, zone: ZoneInfo) -> Iterator[str]:
    """A reading that was set aside."""
    yield f"{reading_said(piece.first.first, zone)}: {piece.first.kind.value}; it posts nothing"


def _piece(piece: Piece, stretch: Explained, unit: VolumeUnit, zone: ZoneInfo) -> Iterator[str]:
    of = piece.first
    if of.begin_ms == piece.last.end_ms:
        counts = f"{of.first.total.count:,} and then {of.last.total.count:,} counts"
        yield f"at {with_offset(of.begin_ms, zone)}: {counts}"
    else:
        yield f"from {reading_said(of.first, zone)} to {reading_said(piece.last.last, zone)}"
    how = f"{piece.times:,} intervals, {of.kind.value}" if piece.times > 1 else of.kind.value
    if of.kind not in POSTS:
        yield f"  {how}: nothing is posted"
    else:
        yield f"  {how}: {_equation(piece)}"
        yield from _share(piece, stretch)
    if (piece.low, piece.high) != (of.posted,) * 2 if piece.times == 1 else not of.plain:
        low, high = piece.low * of.scale.one_count_m3, piece.high * of.scale.one_count_m3
        yield f"  between {unit.number(low)} and {unit.text(high)} may have flowed{_across(piece, stretch)}"
    yield from beside_it(piece, zone)


def _across(piece: Piece, stretch: Explained) -> str:
    return "" if _whole(piece, stretch) else " in all of it"


def beside_it(piece: Piece, zone: ZoneInfo) -> Iterator[str]:
    """Why it is not plain: whose counts they are, the meter's own word, flags, and what was missed."""
    of = piece.first
    if of.segment.withheld:
        serial = of.segment.serial or "that is not known"
        yield (
            f"  withheld from the well's volume: the meter gives serial {serial}, and no entry explains it; "
            f"{WITHHELD_DO}"
        )
    if piece.conditions:
        yield f"  the meter says: {', '.join(sorted(name.replace('_', ' ') for name in piece.conditions))}"
    told = OF_SEGMENT | ({Flag.GAP} if of.kind is Kind.ACROSS_GAP else set())
    flags = [_FLAGS.get(flag) or flag.value for flag in sorted(of.flags - told) if flag.value != of.kind.value]
    if flags:
        yield f"  {'; '.join(flags)}"
    if of.missed or of.cause:
        yield f"  inside: {cause(of.missed, of.cause, zone)}"


def _equation(piece: Piece) -> str:
    of, closing = piece.first, piece.last.closing
    rounds = f" + {of.rollovers} x {of.scale.capacity:,}" if of.rollovers else ""
    return f"{closing:,} - {of.opening:,}{rounds} = {closing - of.opening + of.rollovers * of.scale.capacity:,} counts"


def _whole(piece: Piece, stretch: Explained) -> bool:
    return stretch.begin_ms <= piece.first.begin_ms and piece.last.end_ms <= stretch.end_ms


def _share(piece: Piece, stretch: Explained) -> Iterator[str]:
    """What of it lies in the stretch, where not all does; a total that did not move is a zero for every part of it."""
    of = piece.first
    if of.kind is Kind.SHUT_DOWN and not of.posted:
        yield "  the total was read on both sides and did not move: an explicit zero for all of it"
    elif _whole(piece, stretch):
        return
    elif of.divides:
        yield f"  of these {piece.counts:,} lie in it{_from_edge(piece, stretch)}"
    else:
        yield "  when is not known, so none of it is divided: it is unallocated"


def _from_edge(piece: Piece, stretch: Explained) -> str:
    """By the counts at the edges, where these say it."""
    begin, end = stretch.sum.begin, stretch.sum.end
    first = begin.count if piece.first.begin_ms < stretch.begin_ms else piece.first.opening
    last = end.count if piece.last.end_ms > stretch.end_ms else piece.last.closing
    if first is None or last is None or last - first != piece.counts:
        return ""
    return f": {last:,} - {first:,}"


def judged(of: Interval, rate: RateUnit) -> Iterator[str]:
    """The rules that judged an interval, with its numbers."""
    if of.rules is None:
        return
    ms, age = of.end_ms - of.begin_ms, of.rules.readout_ms
    yield (
        f"at most {of.rules.most(of.scale, ms):,} counts can pass in {duration(ms)}: in {ms:,} ms + {age:,} ms for a "
        f"register's age, at {possible(of, of.rules, rate)}"
    )
    yield f"the totalizer goes round at {of.scale.capacity:,} counts"
