"""A line that is asked for more than it has time for: said, put on record with its end, and shown by `status`."""

from collections.abc import Callable
from pathlib import Path

from tallywell.line.away import Change
from tallywell.readings.exchange import Ask, Outcome, Pass, Read, Refused
from tallywell.readings.facts import Event
from tallywell.readings.faults import Fault
from tallywell.readings.problems import EdgeFailure
from tallywell.readings.traffic import Tap
from tallywell.schedule.clock import ManualClock
from tallywell.schedule.due import Plan, begin
from tallywell.schedule.load import Load
from tallywell.service.beside import OVER_NS, Beside
from tallywell.service.in_force import in_force_now
from tallywell.service.line_load import HAS_ROOM, OVERFULL, load_news
from tallywell.service.line_news import LineNews
from tallywell.service.lines import Delivered, LineThread
from tallywell.service.site import Line
from tallywell.store.append import open_writer
from tallywell.store.canonical import canonical
from tallywell.store.query import Reader
from tests.service.test_daemon import Stand

MS, S, MIN = 1_000_000, 1_000_000_000, 60_000_000_000
ASK = Ask(17, Read(4, 0, 2), 50 * MS)
FULL = Load(bad=2, since_ns=5 * S, made=100, due=210)


class TimedPort:
    """Each exchange takes `took_ns` of a clock that is moved by hand; `asked` is told of each."""

    trouble: EdgeFailure | None = None
    ahead: Callable[[Outcome], None] | None = None
    tap: Tap | None = None

    def __init__(self, clock: ManualClock, took_ns: int, asked: Callable[[Ask], None]) -> None:
        self.took_ns = took_ns
        self._clock, self._asked, self._stopped = clock, asked, False

    def exchange(self, ask: Ask) -> Outcome:
        sent_ns = self._clock.boot_ns()
        if self._stopped:
            return Outcome(ask, None, Fault.STOPPED, sent_ns, sent_ns)
        self._asked(ask)
        self._clock.advance(self.took_ns)
        ended_ns = self._clock.boot_ns()
        return Outcome(ask, bytes(2 * ask.read.words), None, sent_ns, ended_ns, first_ns=ended_ns)

    def look(self) -> None: ...
    def changes(self) -> tuple[Change, ...]:
        return ()

    def stop(self) -> None:
        self._stopped = True

    def close(self) -> None: ...


def polled(plans: list[Plan], took_ns: int, then: Callable[[TimedPort, LineThread, ManualClock], None]) -> list[object]:
    """All that a line's thread delivers until `then`, called before each request, has stopped it."""
    clock, delivered = ManualClock(), list[object]()
    port = TimedPort(clock, took_ns, lambda _ask: then(port, thread, clock))

    def deliver(done: Delivered) -> None:
        delivered.append(done)

    thread = LineThread(Line("field", "/dev/none", 9600), port, begin(plans, 0, 0, at_once=True), clock, deliver)
    thread.start()
    assert thread.join(60)
    return delivered


def test_a_line_thread_says_when_it_begins_and_when_it_is_over() -> None:
    def then(port: TimedPort, thread: LineThread, clock: ManualClock) -> None:
        port.took_ns = 500 * MS if clock.boot_ns() < 10 * MIN else 50 * MS
        if clock.boot_ns() > 15 * MIN:
            thread.stop()

    plans = [Plan(f"p{unit}", unit, (Read(4, 0, 2),), S, 2 * S) for unit in range(1, 5)]
    news = [one for one in polled(plans, 0, then) if isinstance(one, LineNews)]
    assert [one.event[0] for one in news if one.event] == [OVERFULL, HAS_ROOM]
    assert 2 * MIN <= news[0].at_ns <= 3 * MIN
    assert 10 * MIN < news[1].at_ns < 13 * MIN
    assert news[0].said.startswith("line field: it is overfull; of 4")


def test_passes_that_wait_for_others_come_out_as_stopped() -> None:
    """Two slow meters have begun theirs when the line is stopped: what was asked is on record."""
    asked = []

    def then(_port: TimedPort, thread: LineThread, _clock: ManualClock) -> None:
        asked.append(1)
        if len(asked) == 3:
            thread.stop()

    reads = tuple(Read(4, 10 * k, 2) for k in range(5))
    plans = [Plan(f"p{unit}", unit, reads, MIN, S) for unit in (1, 2, 3)]
    done = [one for one in polled(plans, 900 * MS, then) if isinstance(one, Pass)]
    assert sorted(one.point for one in done if len(one.outcomes) > 1) == ["p1", "p2", "p3"]
    assert {one.fault for one in done} == {Fault.STOPPED}


def test_nothing_is_said_while_nothing_changes() -> None:
    assert load_news("field", Load(), Load(bad=1), 0) is None
    assert load_news("field", FULL, FULL, 0) is None


def test_status_says_since_when_by_how_much_and_what_to_do(tmp_path: Path) -> None:
    stand = Stand(tmp_path)
    stand.run(4)

    def noted(news: LineNews | None) -> tuple[str, ...]:
        assert news is not None
        assert news.event is not None
        name, content = news.event
        with open_writer(stand.record, "0.0.1", stand.clock.boot_id) as writer:
            event = Event(writer.next_seq(), writer.run.id, 125_000, 1_784_000_120_000, name, canonical(content))
            writer.append([event])
        with Reader(stand.record) as reader:
            return in_force_now(reader, stand.site).lines

    (said,) = noted(load_news("line0", Load(), FULL, 0))
    assert said.startswith("line line0 is overfull since 2026-07-13 21:33: of 210 polls that were due 100 were made")
    assert "poll its points less often" in said
    assert noted(load_news("line0", FULL, Load(), 0)) == ()

    beside, began = Beside("line0"), list[LineNews]()
    for second in range(3):
        stray = Refused(Fault.STRAY_BYTES, b"\xa5", unasked=True)
        beside, news = beside.after(Outcome(ASK, bytes(4), None, second, second, refused=(stray,)))
        began += news
    (said,) = noted(began[0])
    assert said.startswith("line line0, since 2026-07-13 21:35: bytes keep coming that nobody asked for, such as a5:")
    _, over = beside.after(Outcome(ASK, bytes(4), None, OVER_NS + 2, OVER_NS + 2))
    assert noted(over[0]) == ()
