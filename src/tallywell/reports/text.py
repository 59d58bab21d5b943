"""The report on a screen: plain text, at most 100 columns, in the order in which a person follows a number back."""

from tallywell.reports import permit_words, stated_words, words
from tallywell.reports.dates import with_offset
from tallywell.reports.decimals import plain
from tallywell.reports.model import PermitLine, Report
from tallywell.reports.report_units import permit_unit, unit_of, well_unit
from tallywell.reports.shown_units import VolumeUnit, factor
from tallywell.reports.table import WIDTH, pairs, wrapped
from tallywell.reports.text_point import bounded, point_lines


def text(report: Report, unit: str | None = None) -> str:
    """The whole report. `unit`: a name of readings.units.VOLUMES; None = the unit of each meter's face."""
    lines = _head(report)
    for point in report.points:
        lines += ["", *point_lines(point, unit_of(point, unit), report.zone)]
    lines += _wells(report, unit)
    lines += _permits(report, unit)
    lines += ["", *_foot(report, unit)]
    return "\n".join(lines) + "\n"


def _head(report: Report) -> list[str]:
    state = (
        f"PROVISIONAL: {report.provisional}" if report.provisional else "not finalised; made from the record as it is"
    )
    zone = report.zone
    maps = "\n".join(f"{name} {sha256[:12]}" for name, sha256 in report.maps.items()) or "none used"
    as_of = "nothing dated yet" if report.as_of_ms is None else with_offset(report.as_of_ms, zone)
    return [
        report.site,
        f"Volumes of {report.period.name}" + (", from reading to reading" if report.between else ""),
        "",
        *pairs(
            [
                ("state", state),
                *_span_rows(report),
                ("known", words.known(report)),
                ("time zone", zone.key),
                ("record as of", as_of),
                ("site file", report.site_file[:12]),
                ("register maps", maps),
                ("made by", f"tallywell {report.version}"),
            ],
            WIDTH,
        ),
    ]


def _span_rows(report: Report) -> list[tuple[str, str]]:
    begin, end = (with_offset(ms, report.zone) for ms in (report.begin_ms, report.end_ms))
    if report.between:
        return [
            ("from", f"each point's last reading at or before {begin}"),
            ("to", f"its last reading at or before {end}"),
        ]
    days = (report.period.end - report.period.first).days
    return [("from", begin), ("to before", f"{end} ({days} {'day' if days == 1 else 'days'})")]


def _wells(report: Report, unit: str | None) -> list[str]:
    if not report.wells:
        return []
    lines = ["", "Wells", "====="]
    for well in report.wells:
        own = well_unit(well, report, unit)
        volume = "unknown, not zero" if well.volume is None else bounded(well.volume, own)
        agency = f", agency id {well.agency_id}" if well.agency_id else ""
        said = f"{well.called}{agency}: {volume}; {stated_words.well(well, own)}"
        lines += [f"  {line}" for line in wrapped(said, WIDTH - 2)]
    return lines


def _permits(report: Report, unit: str | None) -> list[str]:
    if not report.permits:
        return []
    lines = ["", "Permits", "======="]
    for permit in report.permits:
        lines += _permit(permit, permit_unit(permit, report, unit))
    return lines


def _permit(permit: PermitLine, unit: VolumeUnit) -> list[str]:
    called = "" if permit.called == permit.name else f", {permit.called}"
    volume = "unknown, not zero" if permit.volume is None else bounded(permit.volume, unit)
    with_estimates = "" if permit.total_m3 is None else f"with the estimates {unit.text(permit.total_m3)}"
    volume = "; ".join(filter(None, [volume, with_estimates, words.permit(permit)]))
    authorised = permit_words.authorised(permit)
    lines = [
        f"  {line}" for line in wrapped(f"{permit.name} ({permit.kind}{called}): {volume}; {authorised}", WIDTH - 2)
    ]
    for each in permit.years:
        lines += [f"    {line}" for line in wrapped(permit_words.year(each, permit, unit), WIDTH - 4)]
    for share in permit.shares:
        part = "volume unknown" if share.volume is None else f"{unit.text(share.volume.m3)} metered there"
        dates = (f", from {share.starts}" if share.starts else "") + (f", to before {share.ends}" if share.ends else "")
        estimated = "" if share.total is None else f", with the estimates {unit.text(share.total.m3)}"
        said = f"share {plain(share.share)} of {share.point}{dates}: {part}{estimated}"
        lines += [f"    {line}" for line in wrapped(said, WIDTH - 4)]
    return lines


def _foot(report: Report, unit: str | None) -> list[str]:
    names = dict.fromkeys([*(unit_of(point, unit).name for point in report.points)])
    names |= dict.fromkeys(permit_unit(permit, report, unit).name for permit in report.permits)
    lines = [f"Factor used: {factor(name)}." for name in names]
    lines += wrapped(
        "Volumes are whole counts, converted once and exactly; each number is rounded half to even when it is printed.",
        WIDTH,
    )
    return [*lines, *wrapped(words.CLOSING, WIDTH)]
