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
import sys

TYPE_CHECKING = False  # as in typing, whose import the help would wait for
if TYPE_CHECKING:
    from tallywell.commandline.asking import Asking
    from tallywell.service.files import Loaded
    from tallywell.service.site import Point, Site
    from tallywell.stated.estimates import Inputs, Span

SUMMARY = "a volume that no meter counted, or that stands instead of what one counted"
WAYS = {"volume": ("volume",), "hours": ("hours", "rate", "tested"), "kwh": ("kwh", "kwh_per", "tested")}
OTHER_YEAR = "same-span-of"
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
    parser.add_argument("--same-span-of", metavar="YEAR", type=int, help="the year whose same span it takes")
    parser.add_argument("--because", metavar="TEXT", help="why an estimate is needed")
    author_argument(parser)
    replacing_arguments(parser)


def run(options: argparse.Namespace) -> int:
    from tallywell.commandline.asking import Asking, one_of
    from tallywell.commandline.entry import content_of, entered, opened, stated_about
    from tallywell.readings.statements import Standing
    from tallywell.stated.estimates import estimate_content, reckoned

    loaded, site, point = opened(options)
    asking = Asking()
    span = _span(site, asking, options)
    flags, words = "--in-addition or --instead-of-metered", tuple(one.value for one in Standing)
    given = words[1] if options.instead_of_metered else words[0] if options.in_addition else None
    what = f'what it is to the metered volume: "{words[0]}" or "{words[1]}"'
    standing = Standing(asking.need(given, flags, what, one_of(*words)))
    inputs = _inputs(options, asking, loaded, point, span)
    because = asking.need(options.because, "--because", "why an estimate is needed")
    content = content_of(lambda: estimate_content(span, standing, inputs, because))
    statement = stated_about(options, loaded, point.name, span.begin_ms, content)
    if standing is Standing.INSTEAD:
        _overlaps_none(loaded, site, point, span, statement.replaces)
    print(f"{point.name}: {reckoned(inputs).sum}, {standing.value} the metered volume")
    return entered(loaded, site, statement)


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
        raise called_wrongly(str(wrong)) from None


def _inputs(options: argparse.Namespace, asking: "Asking", loaded: "Loaded", point: "Point", span: "Span") -> "Inputs":
    from tallywell.readings.statements import Method
    from tallywell.stated.estimates import Inputs

    way = _way(options, asking)
    if way == OTHER_YEAR:
        year = None if options.same_span_of is None else str(options.same_span_of)
        year = asking.need(year, "--same-span-of", "the year whose same span it takes", int)
        return _other_year(int(year), loaded, point, span)
    method = {"volume": Method.VOLUME, "hours": Method.HOURS, "kwh": Method.ENERGY}[way]
    texts = {
        name: asking.need(getattr(options, name), f"--{name.replace('_', '-')}", QUESTIONS[name]) for name in WAYS[way]
    }
    hours = texts.get("hours"), texts.get("rate")
    energy = texts.get("kwh"), texts.get("kwh_per")
    return Inputs(method, texts.get("volume"), *hours, *energy, texts.get("tested"))


def _way(options: argparse.Namespace, asking: "Asking") -> str:
    """How it is reckoned; an input that this way does not take was meant for another one."""
    from tallywell.commandline.asking import one_of
    from tallywell.commandline.site import called_wrongly

    flags = "--volume, --hours, --kwh or --same-span-of"
    given = [way for way in (*WAYS, OTHER_YEAR) if getattr(options, way.replace("-", "_")) is not None]
    if len(given) > 1:
        raise called_wrongly(f"say how it is reckoned, in one way: {flags}")
    words = (*WAYS, OTHER_YEAR)
    question = f"say how it is reckoned: {', '.join(words)}"
    way = asking.need(given[0] if given else None, flags, question, one_of(*words))
    for name in QUESTIONS:
        if getattr(options, name) is not None and name not in WAYS.get(way, ()):
            raise called_wrongly(f"--{name.replace('_', '-')} does not go with --{way}")
    return way


def _other_year(year: int, loaded: "Loaded", point: "Point", span: "Span") -> "Inputs":
    from tallywell.commandline.site import called_wrongly
    from tallywell.readings.statements import Method
    from tallywell.service.comparing import metered_between, same_span
    from tallywell.service.local_time import shown
    from tallywell.stated.estimates import Inputs
    from tallywell.store.database import RecordFolder
    from tallywell.store.query import Reader

    site = loaded.site
    assert site is not None
    begin_ms, end_ms = same_span(span.begin_ms, span.end_ms, year, site.zone)
    found = None
    if loaded.record.exists():
        with Reader(RecordFolder(loaded.record)) as reader:
            found = metered_between(reader, point, begin_ms, end_ms)
    if found is None:
        raise called_wrongly(f"--same-span-of: nothing was metered at {point.name} in that span of {year}")
    if found.begin_ms > begin_ms or found.end_ms < end_ms:
        between = f"from {shown(found.begin_ms, site.zone)} to {shown(found.end_ms, site.zone)}"
        print(f"warning: of that span of {year} {point.name} was metered only {between}", file=sys.stderr)
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
