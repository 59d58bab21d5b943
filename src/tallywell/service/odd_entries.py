"""What a person may not have meant although it can be entered: said before, and no reason to refuse. Reads only."""

import json
from collections.abc import Iterator, Sequence
from zoneinfo import ZoneInfo

from tallywell.readings.facts import Entry
from tallywell.service.entering import Statement
from tallywell.service.local_time import shown
from tallywell.stated.content import Content, about_ms, in_force
from tallywell.stated.withdrawn import WITHDRAW
from tallywell.store.query import Reader

MINUTE_MS = 60_000
YEAR_MS = 366 * 86_400_000
# Of what happened before the record was begun, these are entered all the same: a plate, an earlier reading or test.
_OF_EARLIER = frozenset(
    {"installation", "accuracy-test", "estimate", "out-of-use", "clock", "redate", "withdraw", "reread"}
)
_OF_EARLIER_READINGS = frozenset({"visit", "wireseal", "remark"})
_NOT_MEANT = ("typed", "replaced_because", "note")


def still_to_come(statement: Statement, now_ms: int, zone: ZoneInfo) -> Iterator[str]:
    at_ms = statement.about_ms
    if at_ms is not None and statement.kind not in ("clock", "withdraw") and at_ms > now_ms + MINUTE_MS:
        yield f"{shown(at_ms, zone)} is still to come by this machine's clock ({shown(now_ms, zone)})"


def odd_on_record(reader: Reader, statement: Statement, zone: ZoneInfo) -> Iterator[str]:
    """A date before the record begins; the same thing said already."""
    yield from _before_all(reader, statement, zone)
    if statement.kind == WITHDRAW:  # of what is withdrawn already there is no other
        return
    point_id = None if statement.point is None else reader.point_id(statement.point)
    same = _same(in_force(reader.entries()), statement, point_id)
    if same is not None:
        yield (
            f"the same {statement.kind} is entered already, as {same.uuid[:8]} by {same.author}; if this one is "
            "needless, `tallywell withdraw` takes it back"
        )


def _before_all(reader: Reader, statement: Statement, zone: ZoneInfo) -> Iterator[str]:
    first, at_ms = reader.first_dated(), statement.about_ms
    if first is None or first[1].utc_ms is None or at_ms is None or statement.kind in _OF_EARLIER:
        return
    begins_ms = first[1].utc_ms
    far = YEAR_MS if statement.kind in _OF_EARLIER_READINGS else 0
    if at_ms < begins_ms - far:
        yield f"{shown(at_ms, zone)} is {'long ' if far else ''}before the record begins, {shown(begins_ms, zone)}"


def _same(standing: Sequence[Entry], statement: Statement, point_id: int | None) -> Entry | None:
    for one in standing:
        if one.kind != statement.kind or one.point != point_id or one.uuid == statement.replaces:
            continue
        if about_ms(one) == statement.about_ms and _meant(json.loads(one.content)) == _meant(statement.content):
            return one
    return None


def _meant(content: object) -> Content:
    return {name: one for name, one in content.items() if name not in _NOT_MEANT} if isinstance(content, dict) else {}
