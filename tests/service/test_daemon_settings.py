"""The daemon reads settings back: at the start, after silence and daily; what it puts on record and says of them."""

import json
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest

from tallywell.readings.exchange import Ask, Read
from tallywell.readings.faults import Fault
from tallywell.service.looking import states
from tallywell.service.once import poll_once
from tallywell.service.settings_noted import known_settings, settings_noted
from tallywell.service.world import World
from tallywell.store.query import Reader
from tests.service.test_daemon import Stand
from tests.whole.site_on_ptys import MAP

SETTINGS = """\
  serial_number: {table: holding, register: 70, type: text, words: 3, setting: serial}
  unit_setting:  {table: holding, register: 80, type: uint16, enumeration: {0: litre, 1: gallon}, setting: unit,
                  expected: gallon}
  tag:           {table: holding, register: 50, type: text, words: 4, every: once}
  temperature:   {table: input, register: 60, type: int16, unit: 0.1 degC, every: 1 h}
"""
POINT = "line0-p1"
FIRST: dict[str, str | int] = {"serial_number": "A-1", "unit_setting": 1, "tag": "north"}


@pytest.fixture
def stand(tmp_path: Path) -> Stand:
    made = Stand(tmp_path, MAP + SETTINGS)
    for address in made.station.meters:
        meter_shows(made, address, **FIRST)
    return made


def meter_shows(stand: Stand, address: int, **constants: str | int) -> None:
    meter = stand.station.meters[address]
    stand.station.meters[address] = replace(meter, constants={**meter.constants, **constants})


def told(stand: Stand, *names: str) -> list[dict[str, object]]:
    rows = stand.rows("SELECT name, content FROM event ORDER BY seq")
    return [json.loads(str(content)) for name, content in rows if name in names]


def after(stand: Stand, rows: int, act: Callable[[], None]) -> Callable[[str], None]:
    """For `Stand.run`: act once so many rows of this run are acknowledged."""
    seen = 0

    def heard(line: str) -> None:
        nonlocal seen
        seen += line.startswith("stored ")
        if line.startswith("stored ") and seen == rows:
            act()

    return heard


def plans_asked(stand: Stand) -> list[tuple[str, int]]:
    """Of each poll of the first point: what was asked for, and in which minute of the wall clock."""
    rows = stand.rows(
        "SELECT reads, poll.utc_ms / 60000 FROM poll JOIN plan ON plan.id = poll.plan WHERE point = 1 ORDER BY seq"
    )
    return [(str(reads), int(str(minute))) for reads, minute in rows]


def test_each_set_is_polled_in_its_rhythm(stand: Stand) -> None:
    stand.run(400)
    asked = plans_asked(stand)
    by_plan: dict[str, list[int]] = {}
    for reads, minute in asked:
        by_plan.setdefault(reads, []).append(minute)
    main, settings, once, hourly = (by_plan[plan] for plan in sorted(by_plan, key=_rank))
    assert main[1:] == list(range(main[1], main[1] + len(main) - 1))
    assert once == settings[:1] == hourly[:1] == main[:1], "all of it at the start"
    assert settings[1:] == [minute for minute in main if minute % 1440 == 360], "midnight in Denver, 6 h behind UTC"
    assert hourly[1:] == [minute for minute in main[1:] if minute % 60 == 0]
    assert len(hourly) > 2


def _rank(reads: str) -> int:
    first: list[list[int]] = json.loads(reads)
    return [0, 70, 50, 60].index(first[0][1])


def test_the_first_reading_is_noted_and_a_restart_writes_nothing(stand: Stand) -> None:
    stand.run(20)
    noted = told(stand, "settings")
    assert [one["point"] for one in noted].count(POINT) == 2, "the settings, and what is read once"
    newest = [one for one in noted if one["point"] == POINT][-1]["values"]
    assert newest == {
        "serial_number": {
            "setting": "serial",
            "shown": "A-1",
            "raw": "412d31000000",
            "as_expected": None,
            "at": [3, 70, 3],
        },
        "unit_setting": {"setting": "unit", "shown": "gallon", "raw": "0001", "as_expected": True, "at": [3, 80, 1]},
        "tag": {"setting": "other", "shown": "north", "raw": "6e6f727468000000", "as_expected": None, "at": [3, 50, 4]},
    }
    before = len(noted)
    for _ in range(3):
        stand.run(10)
    assert len(told(stand, "settings")) == before
    assert told(stand, "setting_changed", "setting_unexpected") == []


def test_a_change_after_silence_is_a_dated_event_and_a_line_in_the_log(stand: Stand) -> None:
    """The meter is exchanged while it does not answer."""
    stand.run(20)
    silent = False

    def spoil(ask: Ask) -> Fault | None:
        return Fault.NO_ANSWER if silent and ask.address == 1 else None

    def swap() -> None:
        nonlocal silent
        silent = True
        meter_shows(stand, 1, serial_number="B-2", unit_setting=0)

    def back() -> None:
        nonlocal silent
        silent = False

    stand.spoil = spoil
    acts = after(stand, 10, swap), after(stand, 30, back)
    stand.run(60, lambda line: [act(line) for act in acts].clear())
    changed = {str(one["quantity"]): one for one in told(stand, "setting_changed")}
    assert changed["serial_number"] == {
        "point": POINT, "quantity": "serial_number", "setting": "serial", "before": "A-1", "after": "B-2",
    }  # fmt: skip
    assert set(changed) == {"serial_number", "unit_setting"}
    assert [one["shown"] for one in told(stand, "setting_unexpected")] == ["litre"]
    place = f"{POINT} (line line0, address 1)"
    assert any(line.startswith(f"{place}: serial_number changed from A-1 to B-2") for line in stand.log)
    assert any(
        f"{place}: unit_setting reads litre, and the map panel-meter is written for gallon" in line
        for line in stand.log
    )
    ((at, answered),) = stand.rows(
        "SELECT (SELECT boot_ms FROM event WHERE name = 'setting_changed' LIMIT 1),"
        " (SELECT max(boot_ms) FROM poll WHERE point = 1 AND fault IS NULL AND seq < (SELECT min(seq) FROM event"
        "  WHERE name = 'setting_changed'))"
    )
    assert abs(int(str(at)) - int(str(answered))) < 60_000
    with Reader(stand.record) as reader:
        found = states(reader, stand.site, now_of(stand))
    assert "serial_number changed from A-1 to B-2 on 2026-07-1" in found[0].sentence
    assert "unit_setting reads litre, and the map panel-meter is written for gallon" in found[0].sentence
    assert [state.well for state in found] == [False, True]


def now_of(stand: Stand) -> tuple[str, int, int]:
    return stand.clock.boot_id, stand.clock.boot_ns() // 1_000_000, stand.clock.utc_ns() // 1_000_000


def test_a_change_while_the_daemon_was_away_is_found_at_the_next_start(stand: Stand) -> None:
    stand.run(10)
    stand.run(10)
    meter_shows(stand, 2, serial_number="C-3")
    stand.run(10)
    (changed,) = told(stand, "setting_changed")
    assert (changed["point"], changed["before"], changed["after"]) == ("line0-p2", "A-1", "C-3")
    with Reader(stand.record) as reader:
        assert known_settings(reader)["line0-p2"]["serial_number"].shown == "C-3"
        assert known_settings(reader)[POINT]["serial_number"].shown == "A-1"


def test_settings_that_the_meter_refuses_are_said_once_and_are_no_silence(stand: Stand) -> None:
    def spoil(ask: Ask) -> Fault | None:
        return Fault.NO_ANSWER if ask.address == 1 and ask.read.function == 3 and ask.read.register >= 70 else None

    stand.spoil = spoil
    stand.run(200)
    said = [line for line in stand.log if "could not be read" in line]
    assert len(said) == 1
    assert said[0].startswith(
        f"{POINT} (line line0, address 1): serial_number, unit_setting: could not be read: no answer"
    )
    assert not [line for line in stand.log if "answers again" in line or "no answer since" in line]
    faults = stand.rows("SELECT count(*) FROM poll WHERE fault IS NOT NULL")
    assert faults == [(1,)], "not asked for again at each good poll"
    with Reader(stand.record) as reader:
        found = states(reader, stand.site, now_of(stand))
    assert [state.well for state in found] == [True, True]
    assert "is counting" in found[0].sentence


def test_a_sleeping_meter_is_woken_and_no_row_tells_of_it(tmp_path: Path) -> None:
    wake = "wake: {table: holding, register: 50, words: 1, wait: 200 ms, window: 5 s}\nquantities:"
    stand = Stand(tmp_path, (MAP + SETTINGS).replace("quantities:", wake))
    stand.run(60)
    assert stand.rows("SELECT count(*) FROM poll WHERE fault IS NOT NULL") == [(0,)]
    assert stand.rows("SELECT count(*) FROM poll WHERE raw IS NULL") == [(0,)]
    woken = [ask for ask in stand.asks if not ask.expects_reply]
    assert {ask.read for ask in woken} == {Read(3, 50, 1)}
    assert len(woken) >= 50


def test_the_last_known_settings_are_found_from_the_last_start(stand: Stand) -> None:
    stand.run(10)
    stand.run(4)
    accepted = told(stand, "accepted")
    assert accepted[0]["settings"] == {}
    with Reader(stand.record) as reader:
        newest = {point: event.seq for point, event in settings_noted(reader).items()}
    assert accepted[1]["settings"] == newest
    assert set(newest) == {POINT, "line0-p2"}


def test_without_a_daemon_a_silent_meter_is_asked_once_and_one_that_answers_for_all_of_it(stand: Stand) -> None:
    stand.clock.participants = 1
    world = World(stand.clock, stand.clock.boot_id, stand.log.append, stand.port)
    stand.spoil = lambda ask: Fault.NO_ANSWER if ask.address == 1 else None
    stored = poll_once(stand.loaded, stand.site, tuple(stand.site.points.values()), world)
    assert [poll.fault for poll in stored] == ["no_answer", None]
    assert stand.rows("SELECT point, count(*) FROM poll GROUP BY point ORDER BY point") == [(1, 1), (2, 4)]
    assert [one["point"] for one in told(stand, "settings")] == ["line0-p2"] * 2
    meter_shows(stand, 2, serial_number="C-3")
    poll_once(stand.loaded, stand.site, tuple(stand.site.points.values())[1:], world)
    (changed,) = told(stand, "setting_changed")
    assert changed["after"] == "C-3"
    assert any("line0-p2 (line line0, address 2): serial_number changed from A-1 to C-3" in line for line in stand.log)


def test_what_is_read_once_is_noted_once_a_start_though_each_poll_brings_it(tmp_path: Path) -> None:
    """The meter answers one block only, with hours run in it."""
    limits = "{longest_delay: 200 ms, exact_reads: [{table: input, register: 0, words: 5}]}"
    hours = "  hours_run: {table: input, register: 4, type: uint16, unit: h, every: once}\n"
    stand = Stand(tmp_path, MAP.replace("{longest_delay: 200 ms}", limits) + hours)
    shown = 0

    def another(_line: str) -> None:
        nonlocal shown
        shown += 1
        for address in stand.station.meters:
            meter_shows(stand, address, hours_run=shown)

    for _ in range(2):
        stand.run(20, another)
    noted = [one for one in told(stand, "settings") if one["point"] == POINT]
    assert len(noted) == 2
    assert told(stand, "setting_changed") == []
