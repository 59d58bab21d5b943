"""A month with everything in it: rollover, dead meter, power cut, glitch, two idle days and two hand readings."""

from dataclasses import replace
from pathlib import Path

from tallywell.ledger.periods import month
from tallywell.reports.model import Report
from tests.service.made_record import QUARTER_MS, MadeRecord, at, made_record

DEAD = (at("2026-07-10 05:00"), at("2026-07-12 11:00"))
CUT = (at("2026-07-15 03:10"), at("2026-07-15 09:00"))
IDLE = (at("2026-07-22 00:00"), at("2026-07-24 00:00"))
PUMPED = 112  # counts of 100 gal in a quarter of an hour, 746.7 gpm


def july_report(path: Path) -> Report:
    """The report of July, with the program's version held fixed."""
    return replace(july_record(path).report(month("2026-07")), version="0.0.0")


def july_record(path: Path) -> MadeRecord:
    made = made_record(path, "2026-06-28 00:00")
    made.enter(made.begins_ms, "installation", {"serial": "A-1042", "first_count": "99900000", "note": ""})
    count, now = 99_900_000, made.begins_ms
    while now <= at("2026-08-01 01:00"):
        if CUT[0] <= now < CUT[1]:
            now += QUARTER_MS
            count = _poured(count, now)
            if now >= CUT[1]:
                made.boot(now, "unclean end")
            continue
        _poll(made, now, count)
        _visit(made, now, count)
        now += QUARTER_MS
        count = _poured(count, now)
    return made


def _poured(count: int, now: int) -> int:
    """The pump runs from midnight to 10 in the morning (06:00 to 16:00 UTC), except on the idle days."""
    runs = 6 <= now // 3_600_000 % 24 < 16 and not IDLE[0] <= now < IDLE[1]
    return count + PUMPED if runs else count


def _poll(made: MadeRecord, now: int, count: int) -> None:
    if DEAD[0] <= now < DEAD[1]:
        made.miss(now, "no_answer" if now % 3_600_000 else "bad_crc")
        return
    shown = 4_000_000 if now == at("2026-07-18 12:00") else count % 10**8
    runs = _poured(0, now) > 0
    made.read(now, forward_total=shown, flow_rate=750.0 if runs else 0.0)


def _visit(made: MadeRecord, now: int, count: int) -> None:
    if now == at("2026-07-20 12:00"):
        made.enter(now + 60_000, "visit", {"shows": f"{count % 10**8:08d}", "note": ""}, about=now)
    if now == at("2026-07-25 12:00"):
        made.enter(now + 60_000, "visit", {"shows": f"{count % 10**8 - 7:08d}", "note": "=read by phone"}, about=now)
