"""The settings known last are found by keys alone, from the last start on."""

from pathlib import Path

from tallywell.service.settings import Compared, Kept, events_of
from tallywell.service.settings_noted import changes_since, known_settings, settings_noted
from tallywell.store.query import Reader
from tests.service.made_record import MadeRecord, at, made_record
from tests.service.test_books_steps import counting

HOUR_MS = 3_600_000
KNOWN = {"serial_number": Kept("serial", "A-1", "412d3100")}


def record(path: Path, begins: str) -> MadeRecord:
    """One note of the settings at the beginning, then years of hourly events and a restart two days before the end."""
    made = made_record(path, begins)
    ((name, content),) = events_of("north-discharge", Compared(KNOWN, is_new=True))
    made.event(made.begins_ms, name, content)
    made.flush()
    with Reader(made.folder) as reader:
        # The first start of this record wrote no numbers, as an older version would; the next one does.
        newest = reader.last_event("settings")
    assert newest is not None
    for now in range(made.begins_ms, at("2026-08-30 00:00"), 6 * HOUR_MS):
        made.event(now, "asked", {"uuid": "u", "poll": None})
    made.event(at("2026-08-30 00:00"), "accepted", {"settings": {"north-discharge": newest.seq}})
    for hour in range(48):
        made.event(at("2026-08-30 00:00") + hour * HOUR_MS, "asked", {"uuid": "u", "poll": None})
    made.flush()
    MadeRecord.open_ones.pop().close()
    return made


def steps_of(made: MadeRecord) -> int:
    steps, seen = [0], list[str]()
    with Reader(made.folder, counting(steps, seen)) as reader:
        before = steps[0]
        assert known_settings(reader) == {"north-discharge": KNOWN}
        print(f"{steps[0] - before} steps")
        return steps[0] - before


def test_years_on_record_do_not_matter(tmp_path: Path) -> None:
    one = steps_of(record(tmp_path / "one", "2025-08-01 00:00"))
    five = steps_of(record(tmp_path / "five", "2021-08-01 00:00"))
    assert five <= 1.05 * one


def test_what_came_since_the_start_goes_before_what_was_known_then(tmp_path: Path) -> None:
    made = made_record(tmp_path, "2026-07-01 00:00")
    for shown in ("A-1", "B-2"):
        compared = Compared({"serial_number": Kept("serial", shown, "00")}, is_new=True)
        for name, content in events_of("north-discharge", compared):
            made.event(at("2026-07-02 00:00"), name, content)
    made.flush()
    with Reader(made.folder) as reader:
        assert known_settings(reader)["north-discharge"]["serial_number"].shown == "B-2"
        assert settings_noted(reader)["north-discharge"].seq == reader.newest_seq()


def test_only_changes_of_the_time_asked_for_and_of_each_setting_the_last(tmp_path: Path) -> None:
    """A setting that swings to and fro makes no sentence without end."""
    made = made_record(tmp_path, "2026-07-01 00:00")
    for day, quantity in (("2026-07-02", "bore"), ("2026-07-03", "unit"), ("2026-07-20", "unit")):
        content = {"point": "p", "quantity": quantity, "setting": "unit", "before": "L", "after": day}
        made.event(at(f"{day} 00:00"), "setting_changed", dict(content))
    made.flush()
    with Reader(made.folder) as reader:
        assert [one.after for one in changes_since(reader, at("2026-07-10 00:00"))["p"]] == ["2026-07-20"]
        assert [one.after for one in changes_since(reader, 0)["p"]] == ["2026-07-02", "2026-07-20"]
        assert changes_since(reader, at("2026-08-10 00:00")) == {}


def test_an_empty_record_knows_nothing(tmp_path: Path) -> None:
    made = made_record(tmp_path, "2026-07-01 00:00")
    made.flush()
    with Reader(made.folder) as reader:
        assert known_settings(reader) == {}
