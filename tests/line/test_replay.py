"""Kept bytes go through the exchange again: the same bytes, times and rules give the same outcomes."""

from collections.abc import Iterable
from dataclasses import replace

import pytest

from tallywell.line import frame, mbap
from tallywell.line.bus import Bus
from tallywell.line.kept import Head, Kept, Trace, head_text, row_text
from tallywell.line.replay import NotAsked, Replay
from tallywell.line.timing import AnySettings, LineSettings, SocketSettings
from tallywell.readings.exchange import Ask, Outcome, Read
from tallywell.readings.faults import Fault
from tallywell.readings.traffic import Asked, Passed, Traffic, Way
from tallywell.schedule.system_clock import SystemClock
from tallywell.simulator.trouble import RECIPES, Trouble
from tests.line.campaign import SETTINGS, Campaign

SEED = "20261125"
MS = 1_000_000
READ = Read(4, 0, 2)
ASK = Ask(17, READ, 100 * MS)


def ask_of(address: int, read: Read) -> Ask:
    return Ask(address, read, 100 * MS)


def kept(passed: Iterable[Passed], settings: AnySettings = SETTINGS) -> list[str]:
    """The file, as lines."""
    head = head_text(Head("Quail Flat", "2026-11-25T14:05:09.120-07:00", {"field": settings}))
    return [*head.splitlines(keepends=True), *(row_text("field", each, 0) for each in passed)]


def replayed(lines: list[str]) -> tuple[list[Outcome], Replay]:
    trace = Trace(lines, "kept.frames")
    replay = Replay(trace.head.lines["field"], ask_of)
    found = [passed for row in trace.rows() for passed in replay.feed(row.what)] + list(replay.end())
    return [passed for passed in found if isinstance(passed, Outcome)], replay


def fed(rows: Iterable[Kept], settings: AnySettings = SETTINGS) -> tuple[list[Passed], Replay]:
    replay = Replay(settings, ask_of)
    return [passed for row in rows for passed in replay.feed(row)] + list(replay.end()), replay


def told(outcome: Outcome) -> tuple[object, ...]:
    return outcome.ask, outcome.data, outcome.fault, outcome.refused, outcome.exception_code, outcome.echoed


@pytest.mark.parametrize("name", ["", *RECIPES])
def test_a_kept_trace_of_a_trouble_gives_the_same_outcomes(name: str) -> None:
    """Also the times that the schedule goes by: when each ended, and until when its meter is left alone."""
    campaign = Campaign([Trouble(RECIPES[name])] if name else [], SEED)
    live: list[Passed] = []
    campaign._bus.tap = live.append
    campaign.poll(300)
    was = [passed for passed in live if isinstance(passed, Outcome)]
    now, replay = replayed(kept(live))
    print(f"seed {SEED}, {name or 'clean'}: {len(was)} exchanges, {sum(each.fault is not None for each in was)} missed")
    assert [told(each) for each in now] == [told(each) for each in was]
    whole = [(now, was) for now, was in zip(now, was, strict=True) if was.fault is not Fault.PORT_LOST]
    for today, then in whole:
        assert today == then
    assert (replay.otherwise, replay.hasty) == ([], 0)


def rows_of_an_answer(content: bytes = bytes(4), *, asked: bool = True) -> list[Kept]:
    request = frame.request(17, READ)
    rows: list[Kept] = [Asked(100 * MS, ASK)] if asked else []
    return [
        *rows,
        Traffic(101 * MS, Way.SENT, request),
        Traffic(130 * MS, Way.HEARD, frame.reply(17, 4, content)),
    ]


def test_the_request_alone_says_what_was_asked() -> None:
    """As in a file that was written by hand."""
    passed, _ = fed(rows_of_an_answer(asked=False))
    outcome = passed[-1]
    assert isinstance(outcome, Outcome)
    assert (outcome.ask, outcome.data) == (ASK, bytes(4))


def test_an_end_that_is_another_today_is_pointed_out() -> None:
    lines = kept([*rows_of_an_answer(), Outcome(ASK, None, Fault.BAD_CRC, 105 * MS, 140 * MS)])  # type: ignore[list-item]
    outcomes, replay = replayed(lines)
    assert [outcome.fault for outcome in outcomes] == [None]
    assert [(then, today.fault) for then, today in replay.otherwise] == [(Fault.BAD_CRC, None)]


def test_a_request_that_today_would_have_waited_longer_is_counted() -> None:
    stray = Traffic(100 * MS, Way.HEARD, b"\x00")
    passed, replay = fed([stray, *rows_of_an_answer()])
    assert replay.hasty == 1
    assert isinstance(passed[-1], Outcome)
    assert passed[-1].data == bytes(4)


def test_the_next_request_ends_a_wait_that_is_longer_today() -> None:
    rows = [*rows_of_an_answer()[:2], *(replace(row, at_ns=row.at_ns + 50 * MS) for row in rows_of_an_answer())]
    passed, _ = fed(rows)
    assert [each.fault for each in passed if isinstance(each, Outcome)] == [Fault.STOPPED, None]


@pytest.mark.parametrize(
    ("sent", "why"),
    [
        (frame.with_crc(bytes.fromhex("110600010003")), "no request to read"),
        (b"\x11", "no request to read"),
    ],
)
def test_bytes_that_ask_for_nothing_are_refused(sent: bytes, why: str) -> None:
    with pytest.raises(NotAsked, match=why):
        fed([Traffic(0, Way.SENT, sent)])


def test_bytes_that_ask_for_something_else_are_refused() -> None:
    with pytest.raises(NotAsked, match="what was to be asked"):
        fed([Asked(0, ASK), Traffic(10 * MS, Way.SENT, frame.request(17, Read(4, 0, 3)))])


def test_modbus_tcp_by_its_numbers_also_where_some_are_missing() -> None:
    """Exchanges 7 and 9; a late answer to 8, which was not kept, comes before that to 9."""
    rows: list[Kept] = []
    for at_ms, number in ((10, 7), (500, 9)):
        rows += [
            Asked(at_ms * MS, ASK),
            Traffic((at_ms + 1) * MS, Way.SENT, mbap.request(number, 17, READ)),
            *([Traffic(502 * MS, Way.HEARD, mbap.reply(8, 17, 4, b"\xff" * 4))] if number == 9 else []),
            Traffic((at_ms + 30) * MS, Way.HEARD, mbap.reply(number, 17, 4, bytes((0, 0, 0, number)))),
        ]
    passed, replay = fed(rows, SocketSettings("192.0.2.7"))
    outcomes = [each for each in passed if isinstance(each, Outcome)]
    assert [outcome.data for outcome in outcomes] == [bytes((0, 0, 0, 7)), bytes((0, 0, 0, 9))]
    assert [refused.fault for refused in outcomes[1].refused] == [Fault.STRAY_BYTES]
    assert replay.hasty == 0


def test_a_line_that_is_only_listened_to() -> None:
    """Nothing was asked: every run of bytes passes through."""
    rows: list[Kept] = [Traffic(at * MS, Way.HEARD, frame.request(5, READ)) for at in (0, 100, 200)]
    passed, _ = fed(rows)
    assert passed == rows


def test_a_program_that_looked_a_moment_late() -> None:
    """The wait was over 1 ms before these bytes were seen, and the exchange had not ended then: they belong to it."""
    line = LineSettings("there", 19_200, latency_ns=2 * MS)
    request = frame.request(17, READ)
    sent_ns = 101 * MS + line.wire_ns(len(request))
    over_ns = sent_ns + ASK.longest_delay_ns + line.wire_ns(9) + line.latency_ns
    late = Traffic(over_ns + MS, Way.HEARD, frame.reply(17, 4, bytes(4)))
    rows: list[Kept] = [Asked(100 * MS, ASK), Traffic(101 * MS, Way.SENT, request), late]
    passed, _ = fed(rows, line)
    assert [each.data for each in passed if isinstance(each, Outcome)] == [bytes(4)]
    much_later = replace(late, at_ns=over_ns + 50 * MS)
    passed, _ = fed([*rows[:2], much_later], line)
    assert [each.fault for each in passed if isinstance(each, Outcome)] == [Fault.NO_ANSWER]


class Babbling:
    """A port on which something always comes, from the beginning or from the first request on."""

    device = "babbling"

    def __init__(self, begun: bool) -> None:
        self.begun = begun

    def read(self) -> bytes:
        return b"\x55" if self.begun else b""

    def write(self, _frame: bytes) -> None:
        self.begun = True

    def wait(self, for_ns: int) -> None: ...
    def close(self) -> None: ...


@pytest.mark.parametrize("begun", [True, False])
@pytest.mark.parametrize("expects_reply", [True, False])
def test_what_passes_on_a_babbling_line_can_be_read_again(begun: bool, expects_reply: bool) -> None:
    """No exchange ends before the last byte that was heard of it."""
    settings, texts = LineSettings("/dev/none", 115_200, "none"), list[str]()
    bus = Bus(settings, SystemClock(), lambda *_: Babbling(begun))
    bus.tap = lambda passed: texts.append(row_text("field", passed, 0))
    outcome = bus.exchange(Ask(17, Read(4, 0, 2), 50 * MS, expects_reply=expects_reply))
    bus.close()
    assert outcome.fault is (Fault.STRAY_BYTES if begun or expects_reply else None)
    head = head_text(Head("Stand", "", {"field": settings})).splitlines(keepends=True)
    assert len(list(Trace([*head, *texts], "babble").rows())) == len(texts) > 10
