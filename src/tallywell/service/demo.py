"""Edge: the demo. A month of polling on real frames and real silences, on a clock whose waits jump.

The daemon here is the very one that `tallywell run` starts; only the clock and the place at the other end of the line
are invented. A power cut is an exception in the middle of its work: no event `stopped`, no farewell.
"""

import shutil
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from tallywell.ledger.periods import Period
from tallywell.line.timing import LineSettings
from tallywell.readings.problems import EdgeFailure
from tallywell.reports.csv_layout import csv
from tallywell.reports.model import Report
from tallywell.reports.text import text
from tallywell.schedule.jumping_clock import JumpingClock
from tallywell.service.accepted import accepted_site
from tallywell.service.books import period_report
from tallywell.service.daemon import Daemon
from tallywell.service.demo_field import BAUD, COMMIT_MS, EVERY_MS, FIELD, LOST_MS, MAPS, Scenario, scenario, site_text
from tallywell.service.demo_truth import Side, answers_csv, meters_csv, sides, truth_csv
from tallywell.service.files import Loaded, load_site
from tallywell.service.following import face_of
from tallywell.service.site import Site
from tallywell.service.world import World
from tallywell.simulator.station import Served, Station
from tallywell.simulator.wire import Wire
from tallywell.stated.meters import installation_content
from tallywell.store.database import RecordFolder
from tallywell.store.inbox import Draft, drop
from tallywell.store.query import Reader

MS_NS = 1_000_000
GATHER_NS = COMMIT_MS * MS_NS
MARKER = "this-is-a-tallywell-demo"
AUTHOR = "demo"
SITE, RECORD, PORT = "demo.yaml", "demo.record", "demo.port"
REPORT_TEXT, REPORT_CSV = "report.txt", "report.csv"
TRUTH, METERS, ANSWERS = "truth.csv", "meters.csv", "answers.csv"

Show = Callable[[int, int, str], None]  # readings so far, readings in all, what happens


@dataclass(frozen=True, slots=True)
class Demo:
    """What came of it: the report, its text as on the screen, each point beside the truth, and the files."""

    report: Report
    text: str
    sides: tuple[Side, ...]
    files: tuple[Path, ...]


class PowerCut(Exception):
    """The reader's power fails at this instant."""


def play(folder: Path, period: Period, seed: str, show: Show, *, anew: bool = False) -> Demo:
    """Play the scenario into `folder`, made anew. EdgeFailure where that folder is somebody's own, or (but for `anew`)
    holds entries that somebody made.
    """
    _clear(folder, anew=anew)
    played = scenario(period, seed)
    answers: list[Served] = []
    clock = JumpingClock(played.begin_ms * MS_NS, participants=2)
    with _field(folder, played, clock, answers):
        loaded, site = _written(folder)
        _state_installations(loaded, site, played, clock)
        _polled(loaded, site, played, clock, show)
    return _told(folder, loaded, played, answers)


def _clear(folder: Path, *, anew: bool) -> None:
    """An empty folder, with the sign by which the next demo knows that it may take it away again."""
    try:
        if folder.is_symlink() or not _may_be_replaced(folder):
            raise EdgeFailure(f"{folder} is there and is not a demo's folder", hint="name another one with --folder")
        if not anew and (made := _entries_made(folder)):
            what = "an entry" if made == 1 else f"{made:,} entries"
            hint = "name another folder with --folder, or say --anew to delete all that is in this one"
            raise EdgeFailure(f"{folder} is an earlier demo with {what} that somebody made", hint=hint)
        if folder.exists():
            shutil.rmtree(folder)
        folder.mkdir(parents=True)
        (folder / MARKER).write_text("Written by `tallywell demo`, which deletes this whole folder when run again.\n")
    except OSError as error:
        raise EdgeFailure(f"{folder} cannot be made ({error.strerror})", hint="name another --folder") from None


def _entries_made(folder: Path) -> int:
    """How many entries its record holds beside the demo's own; 0 where there is no record that can be read."""
    try:
        with Reader(RecordFolder(folder / RECORD)) as reader:
            return sum(entry.author != AUTHOR for entry in reader.entries())
    except EdgeFailure:
        return 0


def _may_be_replaced(folder: Path) -> bool:
    return not folder.exists() or (folder.is_dir() and ((folder / MARKER).is_file() or not any(folder.iterdir())))


@contextmanager
def _field(folder: Path, played: Scenario, clock: JumpingClock, answers: list[Served]) -> Iterator[None]:
    """The line with its meters, under a name that stays in the folder only while the line is there."""
    port = folder / PORT
    station = Station(played.meters.values())
    with Wire(station, LineSettings("", BAUD, "none"), lambda: clock.true_utc_ns() // MS_NS, answers.append) as wire:
        port.symlink_to(wire.path)
        try:
            yield
        finally:
            port.unlink()


def _written(folder: Path) -> tuple[Loaded, Site]:
    for name, content in {SITE: site_text(str((folder / PORT).absolute())), **MAPS}.items():
        (folder / name).parent.mkdir(exist_ok=True)
        (folder / name).write_text(content, encoding="utf-8")
    loaded = load_site(folder / SITE)
    assert loaded.site is not None, [str(problem) for problem in loaded.problems]
    return loaded, loaded.site


def _state_installations(loaded: Loaded, site: Site, played: Scenario, clock: JumpingClock) -> None:
    """What an installer would type, into the inbox: the daemon takes it when it starts."""
    record = RecordFolder(loaded.record)
    record.create()
    for one in FIELD:
        face, _ = face_of(site.points[one.point])
        shows = f"{played.meters[one.point].count(played.installed_ms):0{face.digits}d}"
        content: dict[str, object] = {**installation_content(one.serial, shows, face, "invented")}
        now = clock.boot_ns() // MS_NS, clock.utc_ns() // MS_NS
        drop(record, Draft("installation", one.point, played.installed_ms, AUTHOR, None, content, clock.boot_id, *now))


def _polled(loaded: Loaded, site: Site, played: Scenario, clock: JumpingClock, show: Show) -> None:
    """Until the power fails; the outage; and on with a clock that stands where the power failed, until it is set."""
    tally = _Tally(clock, played, show)
    try:
        _daemon(loaded, site, clock, tally.until_power_cut).run()
    except PowerCut:
        gap_ms = played.outage.to_ms - clock.true_utc_ns() // MS_NS
    else:
        raise AssertionError("the daemon ended before the power failed")
    clock.reboot(gap_ms * MS_NS, unsynchronised_ns=LOST_MS * MS_NS, wrong_by_ns=-gap_ms * MS_NS)
    tally.show(f"power is back after {gap_ms / 3_600_000:.0f} h; the clock is wrong until it is set")
    tally.daemon = _daemon(loaded, site, clock, tally.until_end)
    tally.daemon.run()


def _daemon(loaded: Loaded, site: Site, clock: JumpingClock, log: Callable[[str], None]) -> Daemon:
    world = World(clock, clock.boot_id, log, look_ns=EVERY_MS * MS_NS, gather_ns=GATHER_NS)
    return Daemon(loaded, site, world)


class _Tally:
    """Listens to the daemon's log, counts what it acknowledges, and knows when which part of the story ends."""

    def __init__(self, clock: JumpingClock, played: Scenario, show: Show) -> None:
        self._clock, self._played, self._show = clock, played, show
        self._stored = 0
        self.daemon: Daemon | None = None

    def show(self, what: str = "") -> None:
        self._show(self._stored, max(self._stored, self._played.polls), what)

    def until_power_cut(self, line: str) -> None:
        self._count(line)
        if self._now_ms() >= self._played.outage.from_ms:
            raise PowerCut

    def until_end(self, line: str) -> None:
        self._count(line)
        if self._now_ms() >= self._played.end_ms and self.daemon is not None:
            self.daemon.stop()

    def _count(self, line: str) -> None:
        self._stored += line.startswith("stored ")
        self.show("" if line.startswith(("stored ", "entered ")) else line)

    def _now_ms(self) -> int:
        return self._clock.true_utc_ns() // MS_NS


def _told(folder: Path, loaded: Loaded, played: Scenario, answers: list[Served]) -> Demo:
    with Reader(RecordFolder(loaded.record)) as reader:
        report = period_report(reader, accepted_site(reader), played.period)
    shown = text(report)
    texts = {REPORT_TEXT: shown, REPORT_CSV: csv(report)}
    texts |= {TRUTH: truth_csv(played), METERS: meters_csv(played), ANSWERS: answers_csv(answers)}
    for name, content in texts.items():
        (folder / name).write_text(content, encoding="utf-8", newline="")
    files = (folder / SITE, *(folder / name for name in (*MAPS, *texts)), loaded.record)
    return Demo(report, shown, sides(report, played), files)
