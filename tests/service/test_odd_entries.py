"""What may not have been meant is said before it is entered: a date, or the same thing once more."""

from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from tallywell.service.entering import Statement
from tallywell.service.odd_entries import odd_on_record, still_to_come
from tallywell.store.query import Reader
from tests.service.made_record import MadeRecord, at, made_record

ZONE = ZoneInfo("America/Denver")
BEGINS = "2026-07-03 00:00"


@pytest.fixture
def made(tmp_path: Path) -> MadeRecord:
    found = made_record(tmp_path, BEGINS)
    found.read(at(BEGINS), forward_total=1)
    found.enter(at("2026-07-04 00:00"), "remark", {"text": "leak", "note": ""}, about=at("2026-07-03 12:00"))
    return found


def odd(made: MadeRecord, kind: str, when: str, content: dict[str, object], replaces: str | None = None) -> str:
    made.flush()
    said = Statement(kind, "north-discharge", at(when), "b", content, replaces)
    with Reader(made.folder) as reader:
        return "; ".join(odd_on_record(reader, said, ZONE))


@pytest.mark.parametrize(
    ("kind", "when", "said"),
    [
        (
            "changeout",
            "2026-07-02 23:50",
            "23:50:00 -06:00 is before the record begins, 2026-07-03 00:00:00",
        ),
        ("changeout", "2026-07-03 00:05", ""),
        ("shutdown", "2020-10-15 08:00", "is before the record begins"),
        ("visit", "2025-12-31 08:00", ""),
        ("visit", "2016-12-31 08:00", "is long before the record begins"),
        ("installation", "2016-12-31 08:00", ""),
        ("accuracy-test", "2016-12-31 08:00", ""),
    ],
)
def test_a_date_before_the_record_is_named_where_nothing_of_that_kind_can_be_so_old(
    made: MadeRecord, kind: str, when: str, said: str
) -> None:
    found = odd(made, kind, when, {"note": ""})
    assert said in found
    assert bool(said) == bool(found)


def test_the_same_entry_once_more_is_named(made: MadeRecord) -> None:
    said = odd(made, "remark", "2026-07-03 12:00", {"text": "leak"})
    assert "the same remark is entered already, as 00000000 by ana" in said
    assert not odd(made, "remark", "2026-07-03 12:00", {"text": "no leak"})
    assert not odd(made, "remark", "2026-07-03 12:01", {"text": "leak"})
    with Reader(made.folder) as reader:
        (entry,) = reader.entries()
    assert not odd(made, "remark", "2026-07-03 12:00", {"text": "leak"}, entry.uuid), "that one is corrected by it"


def test_what_is_still_to_come_is_named() -> None:
    now = at("2026-07-03 12:00")
    visit = Statement("visit", "north", now + 60_000, "b", {})
    assert not list(still_to_come(visit, now, ZONE)), "two clocks may differ by a minute"
    visit = Statement("visit", "north", now + 61_000, "b", {})
    assert "still to come by this machine's clock" in next(still_to_come(visit, now, ZONE))
    assert not list(still_to_come(Statement("clock", None, now + 61_000, "b", {}), now, ZONE))


def test_an_empty_record_says_nothing(tmp_path: Path) -> None:
    made = made_record(tmp_path, BEGINS, undated=True)
    assert not odd(made, "changeout", "2016-07-03 00:05", {})
