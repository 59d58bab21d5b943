"""Each reason why a port cannot be opened has one line that says what to do; the RS-485 mode of a driver."""

import errno
import fcntl
import os
import re
import struct
import subprocess
import sys
import termios
from pathlib import Path

import pytest
import serial

from tallywell.line import port as port_file
from tallywell.line import port_failure
from tallywell.line.away import PortAway, Reason
from tallywell.line.links import Links
from tallywell.line.port import SerialOpener, Wake, rs485_bytes
from tallywell.line.port_failure import Doubtful, NoRs485, failure, holder_of
from tallywell.line.timing import LineSettings, Rs485
from tests.line.conftest import Pair

# The machine's own header is the check where it is there (Debian: linux-libc-dev); the kernel's source has the same.
HEADER = Path("/usr/include/linux/serial.h")
NOBODY = 2**31 - 7  # a number that no group or process has


def opening(path: str, links: Links | None = None, rs485: Rs485 | None = None) -> PortAway:
    wake = Wake()
    try:
        with pytest.raises(PortAway) as failed:
            SerialOpener(links or Links(Path("/none")))(LineSettings(path, 19_200, "none", rs485=rs485), wake)
        return failed.value
    finally:
        wake.close()


@pytest.fixture
def links(tmp_path: Path, pair: Pair) -> Links:
    (tmp_path / "by-path").mkdir()
    (tmp_path / "by-path" / "pci-usb-1.1").symlink_to(pair.path)
    return Links(tmp_path, lambda _device: "")


class TestInOneLine:
    @pytest.mark.parametrize("number", sorted(errno.errorcode))
    def test_every_number_has_words_and_advice(self, number: int) -> None:
        for failed in (OSError(number, os.strerror(number)), serial.SerialException(number, "x"), context_of(number)):
            said = failure(LineSettings("/dev/none"), failed, Links(Path("/none")), "/dev/none")
            assert str(said).startswith("port /dev/none: ")
            assert said.hint
            assert "\n" not in str(said)
            assert not re.search(r"Errno|\[|\(\d+", str(said)), "words, not numbers"

    def test_what_is_there_instead(self, tmp_path: Path, links: Links) -> None:
        said = opening(str(tmp_path / "by-path" / "pci-usb-1.2"), links)
        there = f"{tmp_path}/by-path/pci-usb-1.1"
        assert (said.reason, said.there) == (Reason.GONE, there)
        assert str(said).endswith(f"no such device; is the adapter plugged in? there is {there}")

    def test_nothing_is_there(self) -> None:
        assert str(opening("/none/at/all")) == (
            "port /none/at/all: no such device; is the adapter plugged in? nothing is in /dev/serial"
        )

    @pytest.mark.parametrize("path", ["/dev/null/x", "/dev/" + 300 * "x"])
    def test_a_path_that_leads_nowhere(self, path: str) -> None:
        assert opening(path).reason is Reason.GONE

    def test_a_loop_of_links(self, tmp_path: Path) -> None:
        (tmp_path / "a").symlink_to(tmp_path / "b")
        (tmp_path / "b").symlink_to(tmp_path / "a")
        assert opening(str(tmp_path / "a")).reason is Reason.GONE

    @pytest.mark.parametrize("path", ["/dev", "/dev/null", "/etc/hostname"])
    def test_no_serial_port(self, path: str) -> None:
        assert "not a serial port; give the path of a tty" in str(opening(path))

    def test_who_holds_it(self, pair: Pair) -> None:
        holding = (
            "import fcntl, sys; f = open(sys.argv[1], 'rb', 0); fcntl.flock(f, 2); print('held', flush=True); input()"
        )
        with subprocess.Popen(
            [sys.executable, "-c", holding, pair.path], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
        ) as other:
            assert other.stdout is not None
            assert other.stdout.readline() == "held\n"
            said = opening(pair.path)
            other.communicate("\n")
        assert re.fullmatch(
            rf"port {pair.path}: held by another program, process {other.pid} \(.+\); only one program may own a line: "
            "end that one",
            str(said),
        )
        assert (said.reason, said.there) == (Reason.HELD, str(other.pid))

    def test_a_holder_that_the_kernel_does_not_show(self, tmp_path: Path, pair: Pair) -> None:
        """In a container the process has no number here: 0."""
        locks = tmp_path / "locks"
        for text in ("", "1: FLOCK  ADVISORY  WRITE 0 00:1a:3 0 EOF\n", "broken\n\n1: FLOCK\n"):
            locks.write_text(text)
            assert holder_of(pair.path, locks) is None
        assert holder_of(pair.path, tmp_path / "none") is None

    def test_opened_for_one_alone(self, pair: Pair, monkeypatch: pytest.MonkeyPatch) -> None:
        """The refusal is planted: root is let in all the same (CAP_SYS_ADMIN; tty_ioctl(4), TIOCEXCL)."""

        def refuse(**_: object) -> serial.Serial:
            raise serial.SerialException(errno.EBUSY, "busy")

        monkeypatch.setattr(serial, "Serial", refuse)
        assert "open already, as another line of this program" in str(opening(pair.path)), "the pair is this test's own"

    @pytest.mark.parametrize(
        ("mode", "own", "said"),
        [
            (
                0o660,
                False,
                r"user .+ must be in group \d+|user .+ must be in group \w+: `usermod -aG \w+ .+`, then start",
            ),
            (0o660, True, "may open it, so something else bars it: DeviceAllow in the unit, or a container"),
            (0o600, False, "may not read and write it either: a udev rule must give it to a group, MODE 0660"),
        ],
    )
    def test_permission(self, pair: Pair, monkeypatch: pytest.MonkeyPatch, mode: int, own: bool, said: str) -> None:
        """The refusal is planted: a test that runs as root is refused nothing."""

        def refuse(**_: object) -> serial.Serial:
            raise serial.SerialException(errno.EACCES, "Permission denied")

        class Os:
            stat, strerror, getgroups = os.stat, os.strerror, list

            @staticmethod
            def getegid() -> int:
                return Path(pair.path).stat().st_gid if own else NOBODY

            @staticmethod
            def geteuid() -> int:
                return 65534  # nobody

        Path(pair.path).chmod(mode)
        monkeypatch.setattr(serial, "Serial", refuse)
        monkeypatch.setattr(port_failure, "os", Os)
        found = opening(pair.path)
        assert found.reason is Reason.DENIED
        assert re.search(said, found.hint), found.hint

    @pytest.mark.parametrize("number", sorted(errno.errorcode))
    def test_where_nothing_can_be_found_out(self, monkeypatch: pytest.MonkeyPatch, number: int) -> None:
        """As in a sandbox without /proc and /dev: it is said all the same, or the line's thread would end by it."""

        def refuse(*_: object, **__: object) -> None:
            raise PermissionError(errno.EACCES, "as a sandbox does")

        for name in ("iterdir", "glob", "read_text", "stat", "readlink"):
            monkeypatch.setattr(Path, name, refuse)
        for name in ("stat", "readlink", "listdir", "scandir"):
            monkeypatch.setattr(os, name, refuse)
        for failed in (OSError(number, "x"), termios.error(number, "x"), Doubtful(), NoRs485(number), ValueError("\0")):
            said = failure(LineSettings("/dev/none"), failed, Links(Path("/none")), "/dev/none")
            assert str(said).startswith("port /dev/none: ")

    def test_permission_where_nothing_can_be_looked_at(self) -> None:
        said = failure(LineSettings("/none/x"), PermissionError(errno.EPERM, "x"), Links(Path("/none")), "/none/x")
        assert "this user must be in the group that owns it: `ls -lL /none/x`" in str(said)

    def test_settings_that_the_driver_does_not_take(self, pair: Pair, monkeypatch: pytest.MonkeyPatch) -> None:
        def refuse(*_: object) -> None:
            raise termios.error(errno.EINVAL, "Invalid argument")

        monkeypatch.setattr(termios, "tcsetattr", refuse)
        said = opening(pair.path)
        assert "cannot be opened with 19200 baud, parity none, 1 stop bits: invalid argument; check the line's" in str(
            said
        )
        assert said.reason is Reason.UNUSABLE


def context_of(number: int) -> Exception:
    """As pyserial wraps a termios.error: in words, the number in its context."""
    wrapped = serial.SerialException(f"Could not configure port: {os.strerror(number)}")
    wrapped.__context__ = termios.error(number, os.strerror(number))
    return wrapped


class TestRs485:
    def test_a_driver_without_it(self, pair: Pair) -> None:
        """A pseudo-terminal answers ENOTTY, as most USB drivers do."""
        assert str(opening(pair.path, rs485=Rs485())) == (
            f"port {pair.path}: its driver has no RS-485 mode; remove rs485 from the line: most USB adapters switch "
            "the direction by themselves"
        )

    def test_a_port_that_failed_so_is_let_go(self, pair: Pair) -> None:
        for _ in range(3):
            assert "RS-485" in str(opening(pair.path, rs485=Rs485())), "and not: held, by ourselves"

    def test_a_driver_that_does_not_do_as_asked(self, pair: Pair, monkeypatch: pytest.MonkeyPatch) -> None:
        """TIOCSRS485 "returns the new state, with any unsupported bits reverted" (linux/serial.h)."""
        monkeypatch.setattr(fcntl, "ioctl", Driver(clears=port_file.SER_RS485_RTS_AFTER_SEND))
        assert "no RS-485 mode (it does not switch RTS as asked)" in str(
            opening(pair.path, rs485=Rs485(rts_on_send=False))
        )

    def test_a_driver_that_does(self, pair: Pair, monkeypatch: pytest.MonkeyPatch) -> None:
        driver = Driver()
        monkeypatch.setattr(fcntl, "ioctl", driver)
        wake = Wake()
        how = Rs485(rts_on_send=True, before_ms=1, after_ms=2)
        port = SerialOpener()(LineSettings(pair.path, 19_200, "none", rs485=how), wake)
        assert driver.holds == rs485_bytes(how)
        port.close()
        wake.close()

    @pytest.mark.parametrize(
        ("how", "flags", "before_ms", "after_ms"),
        [
            (Rs485(), ("ENABLED", "RTS_ON_SEND"), 0, 0),
            (Rs485(rts_on_send=False, before_ms=3, after_ms=100), ("ENABLED", "RTS_AFTER_SEND"), 3, 100),
        ],
    )
    def test_the_bytes(self, how: Rs485, flags: tuple[str, ...], before_ms: int, after_ms: int) -> None:
        """struct serial_rs485 of Linux, include/uapi/linux/serial.h: eight numbers of 32 bits, flags first."""
        bits = {"ENABLED": 1 << 0, "RTS_ON_SEND": 1 << 1, "RTS_AFTER_SEND": 1 << 2}
        assert rs485_bytes(how) == struct.pack("=8I", sum(bits[flag] for flag in flags), before_ms, after_ms, *5 * [0])

    @pytest.mark.skipif(not HEADER.exists(), reason="no headers of the kernel here")
    def test_against_the_header(self) -> None:
        text = HEADER.read_text()
        for name in ("SER_RS485_ENABLED", "SER_RS485_RTS_ON_SEND", "SER_RS485_RTS_AFTER_SEND"):
            found = re.search(rf"#define {name}\s+(?:\(1 << |_BITUL\()(\d)\)", text)
            assert found is not None
            assert getattr(port_file, name) == 1 << int(found[1])
        structure = re.search(r"struct serial_rs485 \{.*?\n\};", text, re.DOTALL)
        assert structure is not None
        order = re.findall(r"(flags|delay_rts_before_send|delay_rts_after_send);", structure[0])
        assert order == ["flags", "delay_rts_before_send", "delay_rts_after_send"]
        ioctls = Path("/usr/include/asm-generic/ioctls.h")
        if ioctls.exists():
            numbers = dict(re.findall(r"#define (TIOC[GS]RS485)\s+(0x[0-9A-Fa-f]+)", ioctls.read_text()))
            assert {name: int(number, 16) for name, number in numbers.items()} == {
                "TIOCGRS485": port_file.TIOCGRS485,
                "TIOCSRS485": port_file.TIOCSRS485,
            }


class Driver:
    """A driver that has the mode, as far as it does what is asked."""

    def __init__(self, clears: int = 0) -> None:
        self.clears = clears
        self.holds = bytes(32)
        self.real = fcntl.ioctl

    def __call__(self, fd: int, what: int, *more: object) -> object:
        if what == port_file.TIOCSRS485:
            (asked,) = more
            assert isinstance(asked, bytes)
            self.holds = struct.pack("=I", struct.unpack("=8I", asked)[0] & ~self.clears) + asked[4:]
            return 0
        if what == port_file.TIOCGRS485:
            (buffer,) = more
            assert isinstance(buffer, bytearray)
            buffer[:] = self.holds
            return 0
        return self.real(fd, what, *more)  # type: ignore[call-overload]  # passed on as it came
