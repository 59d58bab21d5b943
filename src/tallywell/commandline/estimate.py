"""Add an estimate: a volume that flowed and that no meter counted, or that stands in place of what one counted.

Say whether it is in addition to the metered volume of its span or instead of it, why, and how it was reckoned: a volume
as stated, hours pumped at the pump's tested rate, energy over its tested energy for a volume, or what was metered in
the same span of another year. The inputs are kept as typed and the report prints the sum:

  --volume "12.5 acre_foot"
  --hours 20.5 --rate "750 gpm" --tested 2026-05-02
  --kwh 1234 --kwh-per "430 kWh/acre_foot" --tested 2026-05-02
  --same-span-of 2025

Your own permit and agency decide which estimates they accept.
"""

import argparse
import re
import sys

TYPE_CHECKING = False  # as in typing, whose import the help would wait for
if TYPE_CHECKING:
    from tallywell.commandline.asking import Asking, Check
    from tallywell.service.files import Loaded
    from tallywell.service.metered import Metered
    from tallywell.service.site import Point, Site
    from tallywell.stated.estimates import Inputs, Span

SUMMARY = "a volume that no meter counted, or that stands instead of what one counted"
WAYS = {"volume": ("volume",), "hours": ("hours", "rate", "tested"), "kwh": ("kwh", "kwh_per", "tested")}
OTHER_YEAR = "same-span-of"
TWICE = (
    "what passed the meter in that span is metered already, all of it; what is added is counted twice, unless it did "
    "not pass the meter"
)
QUESTIONS = {
    "volume": 'the volume, such as "12.5 acre_foot"',
    "hours": "the hours pumped",
    "rate": 'the tested rate, such as "750 gpm"',
    "tested": "when that was tested, such as 2026-05-02",
    "kwh": "the energy used, kWh",
    "kwh_per": 'the tested energy for a volume, such as "430 kWh/acre_foot"',
}


def arguments(parser: argparse.ArgumentParser) -> None:
    from tallywell.commandline.site import author_argument, replacing_arguments, site_argument

    site_argument(parser)
    parser.set_defaults(kind="estimate")
    parser.add_argument("point", metavar="POINT", help="the point")
    parser.add_argument("--from", dest="first", metavar="TIME", help='"2026-07-01 14:05", or a date: its first moment')
    parser.add_argument("--to", dest="last", metavar="TIME", help="until then; a date: its first moment")
    standing = parser.add_mutually_exclusive_group()
    standing.add_argument("--in-addition", action="store_true", help="beside the metered volume of the span")
    standing.add_argument("--instead-of-metered", action="store_true", help="in place of it")
    parser.add_argument("--volume", metavar="AMOUNT", help='such as "12.5 acre_foot"')
    parser.add_argument("--hours", metavar="N", help="hours pumped")
    parser.add_argument("--rate", metavar="RATE", help='the tested rate, "750 gpm"')
    parser.add_argument("--kwh", metavar="N", help="energy used")
    parser.add_argument("--kwh-per", metavar="RATIO", help='tested energy for a volume, "430 kWh/acre_foot"')
    parser.add_argument("--tested", metavar="DATE", help="when rate or energy were tested")
    parser.add_argument("--same-span-of", metavar="YEAR", help="the year whose same span it takes")
    parser.add_argument("--because", metavar="TEXT", help="why an estimate is needed")
    author_argument(parser)
    replacing_arguments(parser)


def run(options: argparse.Namespace) -> int:
    from tallywell.commandline.asking import Asking, one_of
    from tallywell.commandline.calls import fitted
    from tallywell.commandline.entry import content_of, entered, opened, stated_about
    from tallywell.readings.statements import Standing
    from tallywell.stated.estimates import estimate_content, reckoned

    loaded, site, point = opened(options)
    asking = Asking(options.first, options.last, options.because)
    span = _span(site, asking, options)
    metered = _metered(loaded, point, span)
    flags, words = "--in-addition or --instead-of-metered", tuple(one.value for one in Standing)
    given = words[1] if options.instead_of_metered else words[0] if options.in_addition else None
    standing = Standing(asking.need(given, flags, "what it is to the metered volume", one_of(*words)))
    inputs = _inputs(options, asking, loaded, point, span)
    because = asking.need(options.because, "--because", "why an estimate is needed")
    content = content_of(lambda: estimate_content(span, standing, inputs, because))
    statement = stated_about(options, loaded, point.name, span.begin_ms, content)
    odd: tuple[str, ...] = ()
    if standing is Standing.INSTEAD:
        _overlaps_none(loaded, site, point, span, statement.replaces)
    elif metered is not None and metered.sure:
        odd = (TWICE,)
    print(fitted(f"{point.name}: {reckoned(inputs).sum}, {standing.value} the metered volume"))
    return entered(loaded, site, statement, asking, odd=odd)


def _metered(loaded: "Loaded", point: "Point", span: "Span") -> "Metered | None":
    """What was metered in the span, shown before anything is said of it: whoever adds to it sees to what."""
    from tallywell.commandline.calls import fitted
    from tallywell.reports.shown_units import volume_unit
    from tallywell.service.following import face_of

    if point.map.books is None or loaded.site is None:
        return None
    found = _found(loaded, point, span.begin_ms, span.end_ms)
    if found is None:
        print(f"{point.name}: nothing was metered in that span")
        return None
    unit = volume_unit(face_of(point)[0].one_count.unit, [point.map.books.scale.one_count_m3])
    low, high = unit.number(found.low_m3), unit.number(found.high_m3)
    bounds = "" if low == high else f", between {low} and {high}"
    print(
        fitted(f"{point.name}: metered in that span {unit.text(found.m3)}{bounds}{_part_of(found, span, loaded.site)}")
    )
    return found


def _part_of(found: "Metered", span: "Span", site: "Site") -> str:
    from tallywell.service.local_time import shown

    if found.begin_ms <= span.begin_ms and found.end_ms >= span.end_ms:
        return ""
    return f"; it was read only from {shown(found.begin_ms, site.zone)} to {shown(found.end_ms, site.zone)}"


def _found(loaded: "Loaded", point: "Point", begin_ms: int, end_ms: int) -> "Metered | None":
    from tallywell.service.metered import metered_between
    from tallywell.store.database import RecordFolder
    from tallywell.store.query import Reader

    if not loaded.record.exists():
        return None
    with Reader(RecordFolder(loaded.record)) as reader:
        return metered_between(reader, point, begin_ms, end_ms)


def _span(site: "Site", asking: "Asking", options: argparse.Namespace) -> "Span":
    from tallywell.commandline.site import called_wrongly, moment_check
    from tallywell.stated.content import EntryError
    from tallywell.stated.estimates import Span

    moment = moment_check(site, dates=True)
    begin = moment(asking.need(options.first, "--from", 'from when, "2026-07-01 14:05" or a date', moment))
    end = moment(asking.need(options.last, "--to", 'until when, "2026-07-03 08:00" or a date', moment))
    try:
        return Span(begin, end)
    except EntryError as wrong:
        raise called_wrongly(f"--{wrong}") from None


def _inputs(options: argparse.Namespace, asking: "Asking", loaded: "Loaded", point: "Point", span: "Span") -> "Inputs":
    from tallywell.readings.statements import Method
    from tallywell.stated.estimates import Inputs

    way = _way(options, asking)
    if way == OTHER_YEAR:
        year = asking.need(options.same_span_of, "--same-span-of", "the year whose same span it takes", _check_year)
        return _other_year(int(year), loaded, point, span)
    method = {"volume": Method.VOLUME, "hours": Method.HOURS, "kwh": Method.ENERGY}[way]
    texts = {
        name: asking.need(getattr(options, name), _flag(name), QUESTIONS[name], _check(name, span))
        for name in WAYS[way]
    }
    hours = texts.get("hours"), texts.get("rate")
    energy = texts.get("kwh"), texts.get("kwh_per")
    return Inputs(method, texts.get("volume"), *hours, *energy, texts.get("tested"))


def _check_year(text: str) -> None:
    if not re.match(r"\s*(19|20)\d\d\s*\Z", text):
        raise ValueError(f"{text!r} is no year; write it as 2025")


def _flag(name: str) -> str:
    return f"--{name.replace('_', '-')}"


def _check(name: str, span: "Span") -> "Check":
    """One input by itself; the question or flag stands before what is wrong, so its name need not."""
    from tallywell.stated.content import EntryError
    from tallywell.stated.estimates import check_input

    def check(text: str) -> None:
        try:
            check_input(name, text, span)
        except EntryError as wrong:
            raise ValueError(str(wrong).removeprefix(f"{name}: ")) from None

    return check


def _way(options: argparse.Namespace, asking: "Asking") -> str:
    """How it is reckoned; an input that this way does not take was meant for another one."""
    from tallywell.commandline.asking import one_of
    from tallywell.commandline.site import called_wrongly

    flags = "--volume, --hours, --kwh or --same-span-of"
    given = [way for way in (*WAYS, OTHER_YEAR) if getattr(options, way.replace("-", "_")) is not None]
    if len(given) > 1:
        raise called_wrongly(f"say how it is reckoned, in one way: {flags}")
    words = (*WAYS, OTHER_YEAR)
    way = asking.need(given[0] if given else None, flags, "say how it is reckoned", one_of(*words))
    for name in QUESTIONS:
        if getattr(options, name) is not None and name not in WAYS.get(way, ()):
            raise called_wrongly(f"{_flag(name)} does not go with --{way}")
    return way


def _other_year(year: int, loaded: "Loaded", point: "Point", span: "Span") -> "Inputs":
    from tallywell.commandline.calls import fitted
    from tallywell.commandline.site import called_wrongly
    from tallywell.readings.statements import Method
    from tallywell.service.local_time import shown
    from tallywell.service.metered import same_span
    from tallywell.stated.estimates import Inputs

    site = loaded.site
    assert site is not None
    begin_ms, end_ms = same_span(span.begin_ms, span.end_ms, year, site.zone)
    if begin_ms < span.end_ms and end_ms > span.begin_ms:
        raise called_wrongly(
            f"--same-span-of: the span of {year} is, or overlaps, the one to estimate; name another year"
        )
    found = _found(loaded, point, begin_ms, end_ms)
    if found is None:
        raise called_wrongly(f"--same-span-of: nothing was metered at {point.name} in that span of {year}")
    if found.begin_ms > begin_ms or found.end_ms < end_ms:
        between = f"from {shown(found.begin_ms, site.zone)} to {shown(found.end_ms, site.zone)}"
        print(fitted(f"warning: of that span of {year} {point.name} was metered only {between}"), file=sys.stderr)
    m3 = f"{found.m3.numerator}/{found.m3.denominator}"
    return Inputs(Method.OTHER_YEAR, year=year, m3=m3, of_begin_ms=begin_ms, of_end_ms=end_ms)


def _overlaps_none(loaded: "Loaded", site: "Site", point: "Point", span: "Span", replaces: str | None) -> None:
    """Two estimates in place of one metered volume would count its span twice."""
    from tallywell.commandline.site import called_wrongly
    from tallywell.readings.statements import Standing
    from tallywell.service.entering import entries_in_force
    from tallywell.service.local_time import shown
    from tallywell.stated.content import EntryError
    from tallywell.stated.estimates import estimate

    for entry in entries_in_force(loaded.record, point.name):
        if entry.kind != "estimate" or entry.uuid == replaces:
            continue
        try:
            other = estimate(entry)
        except EntryError:
            continue
        if other.standing is Standing.INSTEAD and other.begin_ms < span.end_ms and other.end_ms > span.begin_ms:
            between = f"from {shown(other.begin_ms, site.zone)} to {shown(other.end_ms, site.zone)}"
            raise called_wrongly(
                f"estimate {entry.uuid[:8]} stands instead of the metered volume {between} already; correct that one "
                f"with --replaces {entry.uuid[:8]}, or give another span"
            )
