"""Add an estimate: a volume that flowed and that no meter counted, or that stands in place of what one counted.

Say whether it is in addition to the metered volume of its span or instead of it, how it was reckoned, and why. The
inputs are kept as typed and the report prints the sum:

  --volume "12.5 acre_foot"                                        a volume as stated
  --hours 20.5 --rate "750 gpm" --tested 2026-05-02                hours pumped x the pump's tested rate
  --kwh 1234 --kwh-per "430 kWh/acre_foot" --tested 2026-05-02     energy over its tested energy per volume
  --same-span-of 2025                                              what was metered in the same span of that year

Your own permit and agency decide which estimates they accept.
"""

import argparse

TYPE_CHECKING = False  # as in typing, whose import the help would wait for
if TYPE_CHECKING:
    from tallywell.service.files import Loaded
    from tallywell.service.site import Point, Site
    from tallywell.stated.estimates import Inputs, Span

SUMMARY = "a volume that no meter counted, or that stands instead of what one counted"


def arguments(parser: argparse.ArgumentParser) -> None:
    from tallywell.commandline.site import author_argument, replacing_arguments, site_argument

    site_argument(parser)
    parser.set_defaults(kind="estimate")
    parser.add_argument("point", metavar="POINT", help="the point")
    parser.add_argument("--from", dest="first", metavar="TIME", help='"2026-07-01 14:05", or a date: its first moment')
    parser.add_argument("--to", dest="last", metavar="TIME", help="until then; a date: its first moment")
    standing = parser.add_mutually_exclusive_group(required=True)
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
    from tallywell.commandline.asking import Asking
    from tallywell.commandline.entry import content_of, corrected, entered, opened
    from tallywell.commandline.site import author
    from tallywell.readings.statements import Standing
    from tallywell.service.entering import Statement
    from tallywell.stated.estimates import estimate_content, reckoned

    loaded, site, point = opened(options)
    asking = Asking()
    span = _span(site, asking, options)
    because = asking.need(options.because, "--because", "why an estimate is needed")
    standing = Standing.INSTEAD if options.instead_of_metered else Standing.IN_ADDITION
    inputs = _inputs(options, loaded, site, point, span)
    content = dict(content_of(lambda: estimate_content(span, standing, inputs, because)))
    replaces, why = corrected(options, loaded)
    content |= {} if why is None else {"replaced_because": why}
    if standing is Standing.INSTEAD:
        _overlaps_none(loaded, site, point, span, replaces)
    print(f"{point.name}: {reckoned(inputs).sum}, {standing.value} the metered volume")
    return entered(loaded, site, Statement("estimate", point.name, span.begin_ms, author(options), content, replaces))


def _span(site: "Site", asking: object, options: argparse.Namespace) -> "Span":
    from tallywell.commandline.asking import Asking
    from tallywell.commandline.entry import content_of
    from tallywell.stated.estimates import Span

    assert isinstance(asking, Asking)

    def moment(text: str) -> int:
        from tallywell.commandline.site import now_ms
        from tallywell.service.local_time import from_ms, parse

        whole = text if ":" in text else f"{text.strip()} 00:00"
        return parse(whole, site.zone, from_ms(now_ms(), site.zone).date())

    begin = moment(asking.need(options.first, "--from", 'from when, "2026-07-01 14:05" or a date', moment))
    end = moment(asking.need(options.last, "--to", 'until when, "2026-07-03 08:00" or a date', moment))
    found: list[Span] = []
    content_of(lambda: found.append(Span(begin, end)) or {})  # type: ignore[func-returns-value]  # for its refusal
    return found[0]


def _inputs(options: argparse.Namespace, loaded: "Loaded", site: "Site", point: "Point", span: "Span") -> "Inputs":
    from tallywell.commandline.site import called_wrongly
    from tallywell.readings.statements import Method
    from tallywell.stated.estimates import Inputs

    ways = {
        Method.VOLUME: options.volume,
        Method.HOURS: options.hours,
        Method.ENERGY: options.kwh,
        Method.OTHER_YEAR: options.same_span_of,
    }
    given = [method for method, value in ways.items() if value is not None]
    if len(given) != 1:
        raise called_wrongly("say how it is reckoned, in one way: --volume, --hours, --kwh or --same-span-of")
    if given[0] is Method.OTHER_YEAR:
        return _other_year(options.same_span_of, loaded, site, point, span)
    return Inputs(
        given[0],
        volume=options.volume,
        hours=options.hours,
        rate=options.rate,
        kwh=options.kwh,
        kwh_per=options.kwh_per,
        tested=options.tested,
    )


def _other_year(year: int, loaded: "Loaded", site: "Site", point: "Point", span: "Span") -> "Inputs":
    from tallywell.commandline.site import called_wrongly
    from tallywell.readings.statements import Method
    from tallywell.service.comparing import metered_between, same_span
    from tallywell.stated.estimates import Inputs
    from tallywell.store.database import RecordFolder
    from tallywell.store.query import Reader

    begin_ms, end_ms = same_span(span.begin_ms, span.end_ms, year, site.zone)
    m3 = None
    if loaded.record.exists():
        with Reader(RecordFolder(loaded.record)) as reader:
            m3 = metered_between(reader, point, begin_ms, end_ms)
    if m3 is None:
        raise called_wrongly(f"--same-span-of: nothing was metered at {point.name} in that span of {year}")
    return Inputs(Method.OTHER_YEAR, year=year, m3=f"{m3.numerator}/{m3.denominator}")


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
