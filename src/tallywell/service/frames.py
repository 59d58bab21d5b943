"""Edge: where the rows of what passes come from: the daemon, lines that we poll ourselves, or a kept file.

All three are texts of one form, and go through the exchange of today to be told.
"""

import queue
import time
from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import ExitStack, contextmanager
from datetime import datetime, timedelta
from pathlib import Path

from tallywell.line.kept import Ended, Head, Missing, Trace, head_text, row_text
from tallywell.line.overheard import USUAL_DELAY_NS
from tallywell.line.replay import NotAsked, Replay
from tallywell.readings.exchange import Ask, Read
from tallywell.readings.problems import EdgeFailure
from tallywell.readings.traffic import Passed, Tap
from tallywell.schedule.due import begin
from tallywell.service.accepting import plans_of
from tallywell.service.hearing import hearing
from tallywell.service.line_news import LineNews
from tallywell.service.lines import Delivered, LineThread, OneLine
from tallywell.service.listeners import GREETING, Listener
from tallywell.service.site import AnyLine, Line, Site
from tallywell.service.telling import Telling
from tallywell.service.world import MS_NS, World
from tallywell.store.database import RecordFolder, lock_held

PATIENCE_S = 0.25  # between two looks at what is over
GREETED_WITHIN_S = 15.0  # the daemon looks for listeners twice a second, once it has begun
LEAVING_S = 5.0
Rows = Iterator[str]  # "" where nothing has come for a moment


def head_now(site: Site, lines: Iterable[AnyLine], world: World) -> Head:
    """Rows' times are those of the boot clock, so what is added to them is when the machine was started."""
    now = world.instant()
    began = datetime.fromtimestamp((now.wall_ms - now.boot_ms) / 1000, site.zone)
    return Head(site.name, began.isoformat(timespec="milliseconds"), {line.name: line.settings for line in lines})


def daemons_rows(record: Path, say: Callable[[str], object]) -> Rows:
    """What the daemon lets pass, from now on until it ends. EdgeFailure where it does not greet."""
    began, greeted = time.monotonic(), False
    with Listener(record) as listener:
        while True:
            text = listener.receive(PATIENCE_S)
            greeted |= text.startswith(GREETING)
            yield from text.splitlines(keepends=True) or [""]
            if not text and not lock_held(RecordFolder(record)):
                say("the daemon has ended")
                return
            if not greeted and time.monotonic() - began > GREETED_WITHIN_S:
                hint = "another command may hold the record: try again; an older daemon must be started anew"
                raise EdgeFailure(f"{record}: who writes there does not let others look on", hint=hint, again=True)


def own_rows(site: Site, lines: Iterable[AnyLine], world: World, *, owed: bool) -> Rows:
    """What passes while we poll these lines ourselves, as the daemon would. Nothing is stored."""
    rows: queue.SimpleQueue[str] = queue.SimpleQueue()

    def tap_of(name: str) -> Tap:
        def tap(passed: Passed) -> None:
            rows.put(row_text(name, passed, 0))

        return tap

    with _polled(site, lines, world, tap_of, owed=owed):
        while True:
            try:
                yield rows.get(timeout=PATIENCE_S)
            except queue.Empty:
                yield ""


@contextmanager
def _polled(
    site: Site, lines: Iterable[AnyLine], world: World, tap_of: Callable[[str], Tap], *, owed: bool
) -> Iterator[None]:
    threads = [_thread(site, line, world, owed=owed) for line in lines]
    with ExitStack() as leaving:
        for thread, line in zip(threads, lines, strict=True):
            thread.tap(tap_of(line.name))
            leaving.callback(thread.join, LEAVING_S)
            leaving.callback(thread.stop)
            thread.start()
        yield


def _thread(site: Site, line: AnyLine, world: World, *, owed: bool) -> OneLine:
    plans, points, clock = plans_of(site), site.points_of(line.name), world.clock
    now = world.instant()
    wall_minus_boot_ns = now.wall_minus_boot_ms * MS_NS

    def said(delivered: Delivered) -> None:
        if isinstance(delivered, LineNews):
            world.log(delivered.said)

    if isinstance(line, Line) and line.listen_only:
        mains = [(point, plans[point.name][0]) for point in points]
        return hearing(line, mains, world, wall_minus_boot_ns, said)
    every = [plan for point in points for plan in plans[point.name]]
    state = begin(every, clock.boot_ns(), wall_minus_boot_ns, at_once=True, owed=owed)
    return LineThread(line, world.open_port(line.settings, clock), state, clock, said)


class Told:
    """Rows in, sentences out. `tellings`: by line; `only`: this line alone; `only_refused`: not what went well.

    EdgeFailure where a row cannot be followed.
    """

    def __init__(self, trace: Trace, site: Site, only: str | None = None, *, only_refused: bool = False) -> None:
        self.tellings: dict[str, Telling] = {}
        self.replays: dict[str, Replay] = {}
        self._trace = trace
        self._began = _instant(trace)
        for name, settings in trace.head.lines.items():
            if only not in (None, name):
                continue
            line = site.lines.get(name)
            points = site.points_of(name)
            listened = line is not None and line.listen_only
            self.tellings[name] = Telling(
                name, settings, points, self._at, listened=listened, only_refused=only_refused
            )
            delays = {p.address: (p.map.limits.longest_delay_ns, p.map.limits.pause_ns) for p in points}
            self.replays[name] = Replay(settings, _ask_of(delays))

    def lines(self) -> Iterator[list[str]]:
        """The sentences of one row after another; none where it tells nothing yet.

        What is cut off by the end of the rows is not told: nobody knows how it went on. Rows that do not say how
        exchanges ended go on to the end of the last.
        """
        ends: set[str] = set()
        for row in self._trace.rows():
            if row.line not in self.replays:
                continue
            if isinstance(row.what, Ended):
                ends.add(row.line)
            if isinstance(row.what, Missing):
                yield self.tellings[row.line].missed(row.what)
            try:
                for passed in self.replays[row.line].feed(row.what):
                    yield self.tellings[row.line].after(passed)
            except NotAsked as wrong:
                raise self._trace.failure(row.number, str(wrong), "take this exchange out of the file") from None
        for name, replay in self.replays.items():
            for passed in () if name in ends else replay.end():
                yield self.tellings[name].after(passed)

    def _at(self, ns: int) -> str:
        at = self._began + timedelta(microseconds=ns // 1000)
        return at.strftime("%H:%M:%S.") + f"{at.microsecond // 1000:03}"


def _instant(trace: Trace) -> datetime:
    try:
        return datetime.fromisoformat(trace.head.began)
    except ValueError:
        do = 'write "began 2026-07-01T14:05:09.120-06:00", to which the times of the rows are added'
        raise trace.failure(1, "the file does not say when it was begun", do, trace.head.began) from None


def _ask_of(delays: Mapping[int, tuple[int, int]]) -> Callable[[int, Read], Ask]:
    def ask_of(address: int, read: Read) -> Ask:
        delay_ns, pause_ns = delays.get(address, (USUAL_DELAY_NS, 0))
        return Ask(address, read, delay_ns, pause_ns)

    return ask_of


def bounded(rows: Rows, head: Head, keep: Callable[[str], object], over: Callable[[], bool]) -> Iterator[str]:
    """The texts of a trace: the head, then rows until it is over. All of it is also kept."""
    text = head_text(head)
    keep(text)
    yield from text.splitlines(keepends=True)
    for row in rows:
        if row:
            keep(row)
            yield row
        if over():
            return


def until(seconds: float | None) -> Callable[[], bool]:
    end = None if seconds is None else time.monotonic() + seconds
    return lambda: end is not None and time.monotonic() >= end


@contextmanager
def kept_in(path: Path | None) -> Iterator[Callable[[str], object]]:
    """Where rows are written to; a file that is there is not written over."""
    if path is None:
        yield lambda _text: None
        return
    try:
        file = path.open("x", encoding="utf-8", buffering=1)
    except FileExistsError:
        raise EdgeFailure(f"{path}: there is such a file already", hint="give another name") from None
    except OSError as failed:
        raise EdgeFailure(f"{path}: it cannot be written ({failed.strerror})", hint="give another place") from None
    try:
        yield _writing(file.write, path)
    finally:
        try:
            file.close()
        except OSError as failed:
            raise _not_written(path, failed) from None


def _writing(write: Callable[[str], object], path: Path) -> Callable[[str], object]:
    def written(text: str) -> None:
        try:
            write(text)
        except OSError as failed:
            raise _not_written(path, failed) from None

    return written


def _not_written(path: Path, failed: OSError) -> EdgeFailure:
    hint = "what came before is in it; free some space, or keep it elsewhere"
    return EdgeFailure(f"{path}: it cannot be written any more ({failed.strerror})", hint=hint)


@contextmanager
def kept_file(path: Path) -> Iterator[Trace]:
    """A kept file, opened."""
    with ExitStack() as stack:
        try:
            file = stack.enter_context(path.open(encoding="utf-8", errors="replace"))
            trace = Trace(file, str(path))
        except OSError as failed:  # a folder is found out by reading
            hint = "give the file that `tallywell frames SITE --keep FILE` wrote"
            raise EdgeFailure(f"{path}: it cannot be read ({failed.strerror})", hint=hint) from None
        yield trace
