"""The field that `tallywell simulate` stands in for: meters, their lines, and the site file that names them."""

import argparse
import fcntl
import shlex
import signal
import threading
import time
from collections.abc import Iterator, Mapping, Sequence
from contextlib import ExitStack, contextmanager
from dataclasses import replace
from pathlib import Path
from types import FrameType
from zlib import crc32

from tallywell.commandline.troubles import in_words
from tallywell.line.timing import LineSettings, SocketSettings
from tallywell.readings.problems import EdgeFailure
from tallywell.service.accepting import point_plans
from tallywell.service.files import Loaded
from tallywell.service.site import Line, NetworkLine, Parity, Point, Site
from tallywell.service.stand_in import HEADER, stand_in
from tallywell.simulator.field import going_round, invented, resting, silent
from tallywell.simulator.meter import Meter
from tallywell.simulator.other_master import OtherMaster
from tallywell.simulator.recipes import Silent
from tallywell.simulator.station import Station
from tallywell.simulator.tcp_wire import HOST, TcpWire
from tallywell.simulator.trouble import Trouble
from tallywell.simulator.wire import Wire

TURNAROUND_NS = 5_000_000
SOON_MS = 60_000
ROUND_NS, REST_NS = 1_000_000_000, 20_000_000  # of the other master of a line that is listened to
FIRST_PORT, PORTS = 20_000, 10_000  # below those that the kernel gives away itself


def stand(
    path: Path, loaded: Loaded, site: Site, options: argparse.Namespace, troubles: Mapping[str, Sequence[Trouble]]
) -> None:
    """Be the field of the site at `path` until a signal comes or `options.seconds` are over. `troubles`: by line."""
    with _ended_by_signal() as ended, ExitStack() as stack:
        _alone(path, stack)
        links = {name: _link(path, name) for name, line in site.lines.items() if isinstance(line, Line)}
        sockets: dict[str, tuple[str, int]] = {}
        now_ms = _utc_ms()
        for line in site.lines.values():
            if isinstance(line, NetworkLine):
                played = troubles.get(line.name, ())
                gateway = stack.enter_context(_gateway(path, site, line, options, now_ms, troubles=played))
                sockets[line.name] = HOST, gateway.tcp_port
                continue
            wire = _wire(site, line, options, now_ms, troubles=troubles.get(line.name, ()), link=links[line.name])
            stack.callback(links[line.name].unlink, missing_ok=True)
            _lead(links[line.name], wire.path)
            stack.enter_context(wire)
        ports = {name: str(link) for name, link in links.items()}
        copy = _written(path, loaded.text, ports, sockets)
        _say(site, ports | {name: f"{host}, TCP port {port}" for name, (host, port) in sockets.items()}, copy, troubles)
        ended.wait(options.seconds)
    print("the simulated lines are gone")


def _alone(path: Path, stack: ExitStack) -> None:
    """Hold the site file's lock: a second simulator would take the lines away from the first."""
    file = stack.enter_context(path.open("rb"))
    try:
        fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        raise EdgeFailure(
            f"{path}: another `tallywell simulate` stands in for this site already",
            hint="end it there with Ctrl-C first",
        ) from None


def _wire(
    site: Site, line: Line, options: argparse.Namespace, now_ms: int, *, troubles: Sequence[Trouble], link: Path
) -> Wire:
    """Without parity, as the site file that leads to it says too: so both reckon with the same characters."""
    meters = [_meter(point, options, now_ms) for point in site.points_of(line.name)]
    settings = replace(line, parity=Parity.NONE).settings
    master = _other_master(site.points_of(line.name), settings) if line.listen_only else None
    return Wire(
        Station(meters, TURNAROUND_NS), settings, _utc_ms,
        troubles=troubles, seed=f"{options.seed} {line.name}", paced=True, moved=lambda to: _lead(link, to),
        master=master,
    )  # fmt: skip


def _other_master(points: Sequence[Point], settings: LineSettings) -> OtherMaster:
    """Asks every meter of the line each second for all that its map has: there is no other to listen to here."""
    asks = [(point.address, read) for point in points for plan in point_plans(point) for read in plan.reads]
    patience_ns = max(point.map.limits.longest_delay_ns for point in points)
    now_ns = time.monotonic_ns()
    return OtherMaster(asks, settings, every_ns=ROUND_NS, patience_ns=patience_ns, now_ns=now_ns, rest_ns=REST_NS)


def _gateway(
    path: Path, site: Site, line: NetworkLine, options: argparse.Namespace, now_ms: int, *, troubles: Sequence[Trouble]
) -> TcpWire:
    """At a TCP port that stays the same from start to start, as far as it is free."""
    meters = [_meter(point, options, now_ms) for point in site.points_of(line.name)]
    port = FIRST_PORT + crc32(f"{path.resolve()}:{line.name}".encode()) % PORTS
    settings = SocketSettings(HOST, port, line.framing.value)
    seed = f"{options.seed} {line.name}"
    return TcpWire(Station(meters, TURNAROUND_NS), settings, _utc_ms, troubles=troubles, seed=seed)


def _meter(point: Point, options: argparse.Namespace, now_ms: int) -> Meter:
    meter = invented(point.address, point.map, point.possible_rate.si, f"{options.seed} {point.name}")
    if point.name in options.resting:
        meter = resting(meter, now_ms)
    if point.name in options.rollover:
        meter = going_round(meter, now_ms + SOON_MS)
    if point.name in options.silent:
        back = None if options.back_after is None else now_ms + int(options.back_after * 1000)
        meter = silent(meter, Silent(now_ms, back))
    return meter


def _utc_ms() -> int:
    return time.time_ns() // 1_000_000


def _link(site: Path, line: str) -> Path:
    """A name that stays: the kernel numbers a pseudo-terminal anew each time, and gives the old number to others."""
    link = site.resolve().with_name(f"{site.stem}.simulated.{line}")
    if link.is_symlink():
        link.unlink()
    if link.exists():
        raise EdgeFailure(f"{link} is in the way of the simulated line", hint="move it elsewhere and start again")
    return link


def _lead(link: Path, to: str) -> None:
    """Let the name lead to this pseudo-terminal, or to none while the adapter is away."""
    link.unlink(missing_ok=True)
    if not to:
        return
    try:
        link.symlink_to(to)
    except OSError as failure:
        raise EdgeFailure(f"{link} cannot be made ({failure.strerror})", hint="the folder must be writable") from None


def _written(site: Path, text: str, ports: dict[str, str], sockets: dict[str, tuple[str, int]]) -> Path:
    copy = site.with_name(f"{site.stem}.simulated.yaml")
    if copy.exists() and not copy.read_text(encoding="utf-8", errors="replace").startswith(HEADER):
        raise EdgeFailure(f"{copy} was not written by this command", hint="move it elsewhere and start again")
    copy.write_text(stand_in(text, ports, f"{site.stem}.simulated.record", sockets), encoding="utf-8")
    return copy


@contextmanager
def _ended_by_signal() -> Iterator[threading.Event]:
    ended = threading.Event()

    def end(_number: int, _frame: FrameType | None) -> None:
        # Not set here itself: an Event must not be set by the thread that may be waiting for it.
        threading.Thread(target=ended.set).start()

    before = {number: signal.signal(number, end) for number in (signal.SIGINT, signal.SIGTERM)}
    try:
        yield ended
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


def _say(site: Site, ports: dict[str, str], copy: Path, troubles: Mapping[str, Sequence[Trouble]]) -> None:
    print(f"standing in for the field of {site.name}; every reading is invented")
    for name, port in ports.items():
        meters = ", ".join(f"{point.name} (address {point.address})" for point in site.points_of(name))
        print(f"  line {name}: {port}: {meters or 'no meter'}")
        if site.lines[name].listen_only:
            print("    another master asks all of them each second; the line is to be listened to")
        for trouble in troubles.get(name, ()):
            print(f"    trouble {in_words(trouble)}")
    print(f"wrote {copy}; its record is a folder of its own. In another terminal:")
    typed = shlex.quote(str(copy))
    print(f"  tallywell run {typed}\n  tallywell read {typed}\nCtrl-C ends this and takes the lines away.", flush=True)
