"""An adapter that comes back under another name is found by its links; another one is never taken for it.

The links are made as udev makes them (its rules, 60-serial.rules): by-path names the socket, by-id the make, with the
serial number where there is one. The adapters are pseudo-terminals.
"""

from __future__ import annotations

import re
import time
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from tallywell.line import links as links_file
from tallywell.line.away import Back, Lost, PortAway, Reason
from tallywell.line.bus import Bus
from tallywell.line.links import Links, serial_number
from tallywell.line.port import SerialOpener
from tallywell.line.timing import LineSettings
from tallywell.readings.exchange import Ask, Read
from tallywell.readings.faults import Fault
from tallywell.schedule.system_clock import SystemClock
from tests.line.test_bus import reply_to

if TYPE_CHECKING:
    from tests.line.conftest import Pair
    from tests.line.test_bus import PacedOf

pytestmark = pytest.mark.alone

MS = 1_000_000
ASK = Ask(17, Read(3, 0x6B, 3), longest_delay_ns=100 * MS)


class Sockets:
    """/dev/serial of a machine with adapters, and what each tells of itself."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.serials: dict[str, str] = {}
        self.links = Links(folder, lambda device: self.serials.get(device, ""))
        for kind in ("by-id", "by-path"):
            (folder / kind).mkdir()

    def plug(self, device: str, socket: str, make: str = "", serial: str = "") -> None:
        (self.folder / "by-path" / socket).symlink_to(device)
        if make:
            link = self.folder / "by-id" / f"usb-{make}{'_' if serial else ''}{serial}-if00-port0"
            link.unlink(missing_ok=True)  # of adapters of one make without serial numbers the last has it
            link.symlink_to(device)
        if serial:
            self.serials[device] = serial

    def unplug(self, device: str) -> None:
        self.serials.pop(device, None)
        for link in [*(self.folder / "by-id").iterdir(), *(self.folder / "by-path").iterdir()]:
            if str(link.readlink()) == device:
                link.unlink()


@pytest.fixture
def sockets(tmp_path: Path) -> Sockets:
    return Sockets(tmp_path)


class Line:
    """A bus on the adapter `pair`, whose name the user wrote as the kernel gave it."""

    def __init__(self, sockets: Sockets, pair: Pair, paced_of: PacedOf) -> None:
        self.sockets = sockets
        self.written = pair.path
        self.settings = LineSettings(pair.path, 19_200, "none")
        opener = SerialOpener(sockets.links)
        self.bus = Bus(self.settings, SystemClock(), lambda _settings, wake: opener(self.settings, wake))
        self.paced_of = paced_of
        self.answers(pair)
        assert self.reads()

    def answers(self, pair: Pair) -> None:
        self.meter = self.paced_of(self.settings)
        self.meter.answer(pair.master, reply_to)

    def pulled(self, pair: Pair) -> None:
        """The meter's thread first: while it waits on its end, the kernel keeps the pair."""
        self.meter.end()
        self.sockets.unplug(pair.path)
        pair.pull()

    def reads(self) -> bool:
        return self.bus.exchange(ASK).data is not None

    def misses(self) -> None:
        assert self.bus.exchange(ASK).fault is Fault.PORT_LOST

    def comes_back_as(self, device: str) -> None:
        assert self.reads()
        lost, back = self.bus.changes()
        assert isinstance(lost, Lost)
        assert isinstance(back, Back)
        assert (lost.first, lost.device, back.device) == (Reason.GONE, self.written, device)
        assert back.away_ns == back.at_ns - lost.at_ns >= 0


LineOf = Callable[..., Line]


@pytest.fixture
def line_of(sockets: Sockets, pair: Pair, paced_of: PacedOf) -> LineOf:
    """A line whose adapter is known by these links, asked once."""

    def plugged(*links: str) -> Line:
        sockets.plug(pair.path, *links)
        return Line(sockets, pair, paced_of)

    return plugged


class TestTheSameAdapter:
    def test_in_the_same_socket(self, line_of: LineOf, pair: Pair, other_pair: Pair) -> None:
        line = line_of("pci-usb-1.1", "Common")
        line.pulled(pair)
        line.misses()
        line.sockets.plug(other_pair.path, "pci-usb-1.1", "Common")
        line.answers(other_pair)
        line.comes_back_as(other_pair.path)

    def test_in_another_socket_by_its_serial_number(self, line_of: LineOf, pair: Pair, other_pair: Pair) -> None:
        line = line_of("pci-usb-1.1", "Common", "A50285BI")
        line.pulled(pair)
        line.misses()
        line.sockets.plug(other_pair.path, "pci-usb-1.4", "Common", "A50285BI")
        line.answers(other_pair)
        line.comes_back_as(other_pair.path)

    def test_back_before_anybody_asked_costs_no_poll(self, line_of: LineOf, pair: Pair, other_pair: Pair) -> None:
        line = line_of("pci-usb-1.1")
        line.pulled(pair)
        line.sockets.plug(other_pair.path, "pci-usb-1.1")
        line.answers(other_pair)
        line.comes_back_as(other_pair.path)

    def test_back_between_two_polls_is_found_by_looking(self, line_of: LineOf, pair: Pair, other_pair: Pair) -> None:
        line = line_of("pci-usb-1.1")
        line.pulled(pair)
        line.bus.look()
        assert [type(change) for change in line.bus.changes()] == [Lost], "let go at once, or its name would be taken"
        line.sockets.plug(other_pair.path, "pci-usb-1.1")
        for _ in range(100):
            time.sleep(0.02)
            line.bus.look()
            if changes := line.bus.changes():
                break
        assert [(type(change), getattr(change, "device", "")) for change in changes] == [(Back, other_pair.path)]

    def test_a_written_link_is_followed_anew(self, sockets: Sockets, pair: Pair, other_pair: Pair) -> None:
        """Whatever adapter is in that socket: so it was written."""
        sockets.plug(pair.path, "pci-usb-1.1", "Common", "A50285BI")
        settings = LineSettings(str(sockets.folder / "by-path" / "pci-usb-1.1"), 19_200, "none")
        opener = SerialOpener(sockets.links)
        bus = Bus(settings, SystemClock(), lambda _settings, wake: opener(settings, wake))
        bus.open()
        sockets.unplug(pair.path)
        pair.pull()
        sockets.plug(other_pair.path, "pci-usb-1.1", "Common", "B6666666")
        bus.look()
        time.sleep(0.06)
        bus.look()
        bus.look()
        assert [getattr(change, "device", "") for change in bus.changes()][-1] == other_pair.path
        bus.close()


class TestAnotherAdapter:
    @pytest.mark.parametrize(
        "case",
        [
            pytest.param((("1.1", "Make", "A50285BI"), ("1.1", "Make", "B6666666")), id="another number, our socket"),
            pytest.param((("1.1", "Make"), ("1.4", "Make")), id="without a number, another socket"),
            pytest.param((("1.1", "Make"), ("1.1", "Rare")), id="another make, our socket"),
        ],
    )
    @pytest.mark.parametrize("under", ["our name", "another name"])
    def test_is_never_opened(
        self, line_of: LineOf, pair: Pair, other_pair: Pair, case: tuple[tuple[str, ...], tuple[str, ...]], under: str
    ) -> None:
        """Also where it has our number: the kernel gives the lowest that is free."""
        ours, theirs = case
        line = line_of(*ours)
        line.pulled(pair)
        if under == "our name":
            line.settings = LineSettings(other_pair.path, 19_200, "none")
        line.sockets.plug(other_pair.path, *theirs)
        line.answers(other_pair)
        for _ in range(3):
            line.misses()
        trouble = line.bus.trouble
        assert trouble is not None
        there = str(line.sockets.folder / "by-path" / theirs[0])
        assert re.match(r"port /dev/pts/\d+: its adapter is not there; put it back into the socket", str(trouble))
        assert str(trouble).endswith(f"; there is {there}")

    def test_what_is_there_instead_is_told_when_it_was_seen_twice(
        self, line_of: LineOf, pair: Pair, other_pair: Pair
    ) -> None:
        line = line_of("1.1", "Common")
        line.pulled(pair)
        line.misses()
        line.sockets.plug(other_pair.path, "1.4", "Common")
        told = []
        for _ in range(4):
            line.misses()
            told.append(len(line.bus.changes()))
        assert told == [1, 1, 0, 0], "that it went, with the first; what is there, once"


class TestBetterName:
    def test_by_id_where_there_is_a_serial_number_else_by_path(
        self, sockets: Sockets, pair: Pair, other_pair: Pair, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        sockets.plug(pair.path, "1.1", "Common", "A50285BI")
        sockets.plug(other_pair.path, "1.4", "Common")
        assert sockets.links.better_name(pair.path) is None, "a name that is not numbered as adapters come"
        monkeypatch.setattr(links_file, "USB_NAMES", tuple("0123456789"))  # as those of pseudo-terminals begin
        assert sockets.links.better_name(pair.path) == f"{sockets.folder}/by-id/usb-Common_A50285BI-if00-port0"
        assert sockets.links.better_name(other_pair.path) == f"{sockets.folder}/by-path/1.4"
        assert sockets.links.better_name(f"{sockets.folder}/by-path/1.4") is None, "it is a link already"
        assert sockets.links.better_name("/dev/pts/0123") is None, "not there"

    def test_a_device_that_is_no_adapter_tells_no_number(self, pair: Pair) -> None:
        assert serial_number(pair.path) == ""
        assert serial_number("/dev/none") == ""

    def test_a_machine_without_links(self, tmp_path: Path, pair: Pair) -> None:
        links = Links(tmp_path / "none")
        assert links.there() == ()
        assert not links.adapter(pair.path).known


def test_without_links_a_port_is_opened_by_its_name(tmp_path: Path, pair: Pair, paced_of: PacedOf) -> None:
    """Such as a port of the board (ttyS0, ttyAMA0), which has none and stays."""
    made = Sockets(tmp_path)
    line = Line(made, pair, paced_of)
    line.pulled(pair)
    line.misses()
    with pytest.raises(PortAway, match="no such device"):
        line.bus.open()
