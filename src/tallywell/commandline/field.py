"""The field that `tallywell simulate` stands in for: meters, pseudo-terminals, and the site file that names them."""

import argparse
import fcntl
import shlex
import signal
import threading
import time
from collections.abc import Iterator, Mapping, Sequence
from contextlib import ExitStack, contextmanager
from pathlib import Path
from types import FrameType

from tallywell.commandline.troubles import in_words
from tallywell.readings.problems import EdgeFailure
from tallywell.service.accepting import settings_of
from tallywell.service.files import Loaded
from tallywell.service.site import Line, Parity, Point, Site
from tallywell.service.stand_in import HEADER, stand_in
from tallywell.simulator.field import going_round, invented, resting, silent
from tallywell.simulator.meter import Meter
from tallywell.simulator.recipes import Silent
from tallywell.simulator.station import Station
from tallywell.simulator.trouble import Trouble
from tallywell.simulator.wire import Wire

TURNAROUND_NS = 5_000_000
SOON_MS = 60_000


def stand(
    path: Path, loaded: Loaded, site: Site, options: argparse.Namespace, troubles: Mapping[str, Sequence[Trouble]]
) -> None:
    """Be the field of the site at `path` until a signal comes or `options.seconds` are over. `troubles`: by line."""
    with _ended_by_signal() as ended, ExitStack() as stack:
        _alone(path, stack)
        links = {name: _link(path, name) for name in site.lines}
        now_ms = _utc_ms()
        for line in site.lines.values():
            wire = _wire(site, line, options, now_ms, troubles=troubles.get(line.name, ()), link=links[line.name])
            stack.callback(links[line.name].unlink, missing_ok=True)
            _lead(links[line.name], wire.path)
            stack.enter_context(wire)
        ports = {name: str(link) for name, link in links.items()}
        copy = _written(path, loaded.text, ports)
        _say(site, ports, copy, troubles)
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
    settings = settings_of(Line(line.name, line.port, line.baud, Parity.NONE, line.stop_bits))
    return Wire(
        Station(meters, TURNAROUND_NS), settings, _utc_ms,
        troubles=troubles, seed=f"{options.seed} {line.name}", paced=True, moved=lambda to: _lead(link, to),
    )  # fmt: skip


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


def _written(site: Path, text: str, ports: dict[str, str]) -> Path:
    copy = site.with_name(f"{site.stem}.simulated.yaml")
    if copy.exists() and not copy.read_text(encoding="utf-8", errors="replace").startswith(HEADER):
        raise EdgeFailure(f"{copy} was not written by this command", hint="move it elsewhere and start again")
    copy.write_text(stand_in(text, ports, f"{site.stem}.simulated.record"), encoding="utf-8")
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
        for trouble in troubles.get(name, ()):
            print(f"    trouble {in_words(trouble)}")
    print(f"wrote {copy}; its record is a folder of its own. In another terminal:")
    typed = shlex.quote(str(copy))
    print(f"  tallywell run {typed}\n  tallywell read {typed}\nCtrl-C ends this and takes the lines away.", flush=True)
