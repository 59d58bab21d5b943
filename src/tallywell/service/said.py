"""What people stated of a point, as a report takes it; each entry that cannot be read says so in its place."""

from collections.abc import Sequence
from dataclasses import replace

from tallywell.readings.quantities import FaceCount, HandReading, Installed
from tallywell.readings.statements import ReadAgain
from tallywell.reports.hand_readings import Visit
from tallywell.reports.model import MeterLine
from tallywell.reports.stated_lines import NotTaken, Stated
from tallywell.stated.meters import Meter
from tallywell.stated.seasons import Turned
from tallywell.stated.told import METERS, Told


def meter_lines(told: Told, changes: Sequence[Installed]) -> tuple[MeterLine, ...]:
    """All meters as lines of the report; one that cannot be read says so in its place. `changes`: those in force."""
    served = {one.uuid for one in changes}
    lines = [replace(_meter_line(one), refused=one.uuid not in served) for one in told.meters]
    lines += [
        MeterLine("", one.about_ms, None, None, one.entry.author, one.why)
        for one in told.unread
        if one.entry.kind in METERS
    ]
    return tuple(sorted(lines, key=lambda line: line.begin_ms))


def _meter_line(meter: Meter) -> MeterLine:
    return MeterLine(
        serial=meter.serial,
        begin_ms=meter.about_ms,
        end_ms=None,
        first_count=meter.first_count,
        author=meter.author,
        change=meter.change,
        converter=meter.converter,
        old_final=meter.old_final,
        seal_removed=meter.seal_removed,
        seal=meter.seal,
        sensor_kept=meter.sensor_kept,
        other=meter.other,
        note=meter.note,
        uuid=meter.uuid,
    )


def stated_of(told: Told) -> Stated:
    """What is said of the point beside its meters and visits, whose unreadable entries stand in their own places."""
    elsewhere = METERS | {"visit"}
    not_taken = [
        NotTaken(one.about_ms, one.entry.kind, one.entry.author, one.why)
        for one in told.unread
        if one.entry.kind not in elsewhere
    ]
    return Stated(
        estimates=tuple(told.estimates),
        seasons=told.seasons,
        answers=tuple(told.answers),
        out_of_use=tuple(told.out_of_use),
        tests=tuple(told.tests),
        seals=tuple(told.seals),
        remarks=tuple(told.remarks),
        read_again=tuple(
            ReadAgain(one.uuid, one.from_ms, one.to_ms, one.name, one.sha256, one.because, one.author)
            for one in told.rereads
        ),
        withdrawn=tuple(told.withdrawn),
        not_taken=tuple(not_taken),
        entries=tuple(told.served),
    )


def visits_of(told: Told) -> tuple[Visit, ...]:
    found = [
        Visit(one.about_ms, one.shows, one.author, one.note, one.reading, agency=one.agency) for one in told.visits
    ]
    found += [
        Visit(one.about_ms, "unknown", one.entry.author, "", None, one.why)
        for one in told.unread
        if one.entry.kind == "visit"
    ]
    found += [_at_turn(one, one.face) for one in told.turns if one.face is not None]
    return tuple(sorted(found, key=lambda visit: visit.utc_ms))


def _at_turn(one: Turned, face: FaceCount) -> Visit:
    """What the face showed at a shutdown or startup."""
    reading = HandReading(one.entry.uuid, one.about_ms, face.total, one.entry.author, face.scale)
    return Visit(one.about_ms, one.shows, one.entry.author, one.note, reading, when=f"at the {one.entry.kind}")
