"""A line that is only listened to, as the site file, check, the daemon's thread and the log know it."""

import time
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

import pytest

from tallywell.line.away import PortAway, Reason
from tallywell.line.bus import Bus
from tallywell.line.overheard import Unused
from tallywell.readings.exchange import Ask, Outcome, Pass, Read
from tallywell.readings.faults import Fault
from tallywell.readings.traffic import Tap
from tallywell.schedule.plan import LookAgain
from tallywell.schedule.system_clock import SystemClock
from tallywell.service.accepting import plans_of
from tallywell.service.files import load_site
from tallywell.service.hearing import HearingThread, passing
from tallywell.service.line_news import LineNews
from tallywell.service.lines import Delivered
from tallywell.service.sampling import Sampled
from tallywell.service.site import Line, Site
from tests.whole.site_on_ptys import MAP, called, site_text

pytestmark = pytest.mark.alone

S = 1_000_000_000


def text(more: str = "listen_only: yes", points: int = 2) -> str:
    return site_text(1, points).replace("parity: none}", f"parity: none, {more}}}")


def written(folder: Path, content: str) -> Path:
    (folder / "panel.yaml").write_text(MAP, encoding="utf-8")
    (folder / "site.yaml").write_text(content, encoding="utf-8")
    return folder / "site.yaml"


def loaded(folder: Path, content: str) -> Site:
    found = load_site(written(folder, content))
    assert found.site is not None, found.problems
    return found.site


def problems(folder: Path, content: str) -> list[str]:
    return [str(problem) for problem in load_site(written(folder, content)).problems]


def test_the_key_of_a_line(tmp_path: Path) -> None:
    line = loaded(tmp_path, text()).lines["line0"]
    assert line.listen_only
    assert not loaded(tmp_path, text("listen_only: no")).lines["line0"].listen_only
    assert not loaded(tmp_path, text("stop_bits: 1")).lines["line0"].listen_only


@pytest.mark.parametrize(
    ("line", "what"),
    [
        ("host: 192.0.2.1, listen_only: yes", "tells nobody else"),
        ("host: 192.0.2.1, framing: rtu, listen_only: yes", "a gateway need not hand on what others ask"),
        ("port: /dev/none, baud: 9600, rs485: kernel, listen_only: yes", "never sends"),
        ("port: /dev/none, baud: 9600, listen_only: maybe", "must be yes or no"),
        ("port: /dev/none, baud: 9600, listen_onyl: yes", 'did you mean "listen_only"'),
    ],
)
def test_where_nothing_can_be_listened_to(tmp_path: Path, line: str, what: str) -> None:
    content = site_text(1, 1).replace("port: /dev/none-line0, baud: 115200, parity: none", line)
    (found,) = [one for one in problems(tmp_path, content) if "listen_on" in one]
    assert what in found
    assert found.startswith(str(tmp_path / "site.yaml:4:")), found


def test_check_reckons_no_load_of_it(tmp_path: Path) -> None:
    """Forty meters each second are far too many to ask at 1200 baud; to listen to them is none of our load."""
    crowded = text(points=40).replace("115200", "1200")
    assert "cannot be polled so often" in called("check", written(tmp_path, crowded.replace(": yes", ": no")), code=1)
    said = called("check", written(tmp_path, crowded))
    assert "is in order" in said
    assert "What a pass costs on the wire" not in said
    assert "nothing is asked there, so no load is reckoned" in said


def test_no_owner_that_could_ask_gets_the_port(tmp_path: Path) -> None:
    line = loaded(tmp_path, text()).lines["line0"]
    with pytest.raises(AssertionError, match="nothing is asked on this line"):
        Bus(line.settings, SystemClock())


@dataclass
class TestEar:
    """In the place of a port: what is overheard, in the test's hand."""

    __test__ = False
    coming: list[Outcome] = field(default_factory=list)
    trouble: PortAway | None = None
    tap: Tap | None = None
    tally: Counter[Unused] = field(default_factory=Counter)
    stopped: bool = False
    closed: bool = False

    def listen(self, until_ns: int) -> tuple[Outcome, ...]:
        time.sleep(min(0.005, max(0, until_ns - SystemClock().boot_ns()) / S))
        found, self.coming = tuple(self.coming), []
        return found

    def changes(self) -> tuple[()]:
        return ()

    def stop(self) -> None:
        self.stopped = True

    def close(self) -> None:
        self.closed = True


class Listener:
    """The thread at work, and what it delivers."""

    def __init__(self, site: Site) -> None:
        line = site.lines["line0"]
        assert isinstance(line, Line)
        self.ear, self.clock = TestEar(), SystemClock()
        self.delivered: list[Delivered] = []
        plans = plans_of(site)
        sampled = [Sampled(point, plans[point.name][0], self.clock.boot_ns(), 0) for point in site.points.values()]
        self.thread = HearingThread(line, self.ear, sampled, self.clock, self.delivered.append)
        self.thread.start()

    def overhear(self, address: int, read: Read) -> None:
        now_ns = self.clock.boot_ns()
        data = bytes(read.content_bytes)
        self.ear.coming.append(Outcome(Ask(address, read, S), data, None, now_ns, now_ns, now_ns))

    def passes(self, point: str) -> list[Pass]:
        return [done for done in self.delivered if isinstance(done, Pass) and done.point == point]

    def until(self, what: Callable[[], object], meanwhile: Callable[[], None] = lambda: None) -> None:
        end_s = time.monotonic() + 15
        while not what():
            assert time.monotonic() < end_s, self.delivered
            meanwhile()
            time.sleep(0.02)


def test_the_thread_gives_passes_and_says_whom_nobody_asks(tmp_path: Path) -> None:
    listener = Listener(loaded(tmp_path, text()))
    both = Read(4, 0, 4)

    def others_ask() -> None:
        listener.overhear(1, both)
        listener.overhear(99, both)

    listener.until(lambda: len(listener.passes("line0-p1")) > 1 and listener.passes("line0-p2"), others_ask)
    assert all(done.reads == (both,) and done.complete for done in listener.passes("line0-p1"))
    assert {done.fault for done in listener.passes("line0-p2")} == {Fault.NO_ANSWER}
    said = [news.said for news in listener.delivered if isinstance(news, LineNews)]
    assert len([one for one in said if "line0-p2" in one and "does not ask this address" in one]) == 1
    assert "another master asks address 1, 99" in said[0]
    listener.thread.tell(LookAgain("line0-p1", "a-person"))
    listener.until(
        lambda: any(done.asked == "a-person" for done in listener.passes("line0-p1")),
        lambda: listener.overhear(1, both),
    )
    listener.ear.trouble = PortAway("port /dev/none: no such device", Reason.GONE)
    listener.until(lambda: listener.passes("line0-p1")[-1].fault is Fault.PORT_LOST)
    assert listener.thread.alive()
    listener.thread.stop()
    assert listener.thread.join(5)
    assert listener.ear.stopped
    assert listener.ear.closed


def test_what_passes_on_a_line_in_one_sentence() -> None:
    assert passing({}, {}).startswith("no request of another master was heard; check the pair")
    damaged = passing({}, Counter({Unused.DAMAGED: 3, Unused.LOST: 1}))
    assert damaged.startswith("no request of another master was heard, but 3 runs of bytes that are no frame;")
    assert passing({17: 4, 3: 1}, {}) == "another master asks address 3, 17 (5 requests so far)"
    owed = passing({17: 4}, Counter({Unused.OWED: 2, Unused.OTHER: 9}))
    assert "of no use: 2 answers that may belong to an earlier request;" in owed
    assert "state the meters' true longest_delay" in owed
