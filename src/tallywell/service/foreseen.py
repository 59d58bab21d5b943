"""What can be foreseen to go wrong at a site, as problems of its file: lines that carry too much, totals that go round
unseen, registers asked oftener than they change. Pure.
"""

from fractions import Fraction

from tallywell.registers.quantity import RegisterMap
from tallywell.reports.decimals import per_cent
from tallywell.reports.shown_units import volume_unit
from tallywell.service.durations import at_least, exactly, in_words
from tallywell.service.outlook import MS_NS, LineOutlook, PointOutlook, Round, outlook
from tallywell.service.site import Line, Point, Site
from tallywell.written.forms import label_of
from tallywell.written.located import Document, Path, quoted

# Above this a line has no room for second looks, silent meters and what a person asks (common practice, no source).
FULL = Fraction(4, 5)


def foresee(document: Document, site: Site) -> None:
    """Note in the document of the site file what its outlook is at fault or to be warned of."""
    judged: list[RegisterMap] = []
    for line in outlook(site):
        if not line.line.listen_only:  # there nothing is asked
            _judge_line(document, line)
        for point in line.points:
            _judge_refresh(document, point.point)
            _judge_rounds(document, site, point)
            _judge_face(document, point.point)
            if not any(point.point.map is known for known in judged):
                judged.append(point.point.map)
                _judge_rhythms(document, point.point)
                if not line.line.listen_only:
                    _judge_wake(document, point)


def _every(point: Point) -> Path:
    return ("points", point.name, "every")


def _map(point: Point) -> Path:
    return ("points", point.name, "map")


# --- what the lines carry


def _judge_line(document: Document, line: LineOutlook) -> None:
    if not line.points:
        return
    alone = [point for point in line.points if point.share > 1]
    for point in alone:
        at = _every(point.point)
        what = f"{label_of(at)}: its meter cannot be polled so often"
        document.complain(at, what, _longer("for this point alone", point.least_ns, line))
    if not alone and line.share > FULL:
        _judge_full(document, line)
    elif not alone and line.longest_share > 1:
        at = _every(_hungriest(line))
        what = f"{label_of(at)}: {_in_use(line, line.longest_share)} where every answer takes its longest delay"
        do = "polls will come late while meters are slow; poll less often, or state the meters' true longest_delay"
        document.complain(at, what, do, warning=True)


def _judge_full(document: Document, line: LineOutlook) -> None:
    at = _every(_hungriest(line))
    do = _longer("for all points of the line", line.least_ns, line)
    if line.share > 1:
        what = f"{label_of(at)}: the meters of this line cannot be polled so often: {_in_use(line, line.share)}"
        document.complain(at, what, do)
    else:
        what = f"{label_of(at)}: {_in_use(line, line.share)}"
        document.complain(at, what, f"silent meters and second looks need room; {do}", warning=True)


def _in_use(line: LineOutlook, share: Fraction) -> str:
    return f"line {quoted(line.line.name)} would be in use {per_cent(share, 0)} of the time"


def _hungriest(line: LineOutlook) -> Point:
    """Whose `every` to look at first."""
    return max(line.points, key=lambda point: point.share).point


def _longer(whom: str, least_ns: int | None, line: LineOutlook) -> str:
    """How fast the wires behind a host are, is no matter of the site file."""
    faster = ", or raise the baud rate" if isinstance(line.line, Line) else ""
    if least_ns is None:
        return f"read less of it hourly or daily{faster}"
    return f"the least possible is {at_least(least_ns)} {whom}; poll less often{faster}"


# --- what the meters renew, and what wakes them


def _judge_refresh(document: Document, point: Point) -> None:
    refresh_ns, at = point.map.limits.refresh_ns, _every(point)
    if point.every_ms * MS_NS < refresh_ns:
        what = f"{label_of(at)} is shorter than the meter takes to renew its registers, {exactly(refresh_ns // MS_NS)}"
        do = f'polls in between bring the same words again; write "every: {exactly(refresh_ns // MS_NS)}" or longer'
        document.complain(at, what, do, warning=True)


def _judge_rhythms(document: Document, point: Point) -> None:
    refresh_ns, at = point.map.limits.refresh_ns, _map(point)
    for quantity in point.map.quantities.values():
        every_ns = quantity.rhythm.every_ns
        if every_ns and every_ns < refresh_ns:
            what = f"{label_of(at)}: quantity {quoted(quantity.name)} is read every {exactly(every_ns // MS_NS)}"
            what += f", oftener than the meter renews its registers, {exactly(refresh_ns // MS_NS)}"
            document.complain(at, what, "write a longer every in the map", warning=True)


def _judge_wake(document: Document, point: PointOutlook) -> None:
    """An answer to the waking that comes late would be taken for the other's, so the line holds that read back."""
    wake = point.point.map.wake
    if wake is None or not point.held_ns:
        return
    at = _map(point.point)
    what = f"{label_of(at)}: the read that wakes the meter has an answer as long as one that counts"
    do = "wake with another number of words"
    if wake.window_ns <= point.held_ns:
        what += f", and the meter's window of {exactly(wake.window_ns // MS_NS)} is over before that one may be asked"
        do += f", or state a window longer than {at_least(point.held_ns)} if the meter has it"
    else:
        held = exactly(point.point.map.limits.longest_delay_ns // MS_NS)
        do = f"that one waits {held} each time, lest a late answer be taken for its own; {do}"
    document.complain(at, what, do, warning=True)


# --- how long the totals last


def _judge_rounds(document: Document, site: Site, point: PointOutlook) -> None:
    for found in point.rounds:
        _judge_step(document, point.point, found)
        if found.total.for_the_books:
            _judge_outage(document, site, point.point, found)


def _judge_outage(document: Document, site: Site, point: Point, found: Round) -> None:
    outage = point.longest_outage or site.longest_outage
    if found.seconds >= outage.si:
        return
    at = _map(point)
    what = f"{label_of(at)}: its {found.total.name} goes round in {in_words(found.seconds)} at the possible rate"
    what += f", sooner than the longest likely outage ends, {exactly(int(outage.si * 1000))}"
    do = (
        "after such an outage nobody can tell how many times it went round: read a total with more digits, or state "
        "the true possible_rate or longest_outage"
    )
    document.complain(at, what, do, warning=True)


def _judge_face(document: Document, point: Point) -> None:
    """A total that another register scales is taken in its least counts, which no face need show."""
    books = point.map.books
    if books is None or books.factor is None or books.display or point.display:
        return
    at = _map(point)
    what = f"{label_of(at)}: its {books.name} is scaled by {books.factor.quantity}"
    what += ", and nothing says what the face shows"
    do = 'write "display: {one_count: 100 gal, digits: 8}", as the face has it, at the point or in the map'
    document.complain(at, what, do, warning=True)


def _judge_step(document: Document, point: Point, found: Round) -> None:
    """A step of several counts is warned of by the map; here, where it hides the flow from poll to poll."""
    if found.step_m3 is None or found.step_m3 * 1000 <= point.possible_rate.si * point.every_ms:
        return
    at = _map(point)
    what = f"{label_of(at)}: its {found.total.name} is a {found.total.type} and moves in steps of {step_text(found)}"
    what += f" near its capacity, {step_time(found, point)} of pumping at the possible rate and longer than every"
    do = (
        "polls in between show no flow, and hours and days are cut that coarsely; read an integer total if there is one"
    )
    document.complain(at, what, do, warning=True)


def step_text(found: Round) -> str:
    """The step of a float total in the unit of its count: "8 US gal"."""
    assert found.step_m3 is not None
    one_count = found.total.one_count
    assert one_count is not None
    return volume_unit(one_count.unit, (found.step_m3,)).text(found.step_m3)


def step_time(found: Round, point: Point) -> str:
    """How long the step takes to pass at the possible rate, in minutes."""
    assert found.step_m3 is not None
    seconds = found.step_m3 / point.possible_rate.si
    minutes = seconds / 60
    return f"{float(minutes):.1f} min" if minutes < 1000 else in_words(seconds)
