"""Edge: the daemon. The main thread keeps queue, commit, clocks and inbox; each line has a thread of its own.

What a line thread delivers is gathered for a second and stored in one commit; after it the log says `stored {seq}`,
and from then on the reading survives whatever happens.
"""

import threading
from collections import deque
from contextlib import suppress

from tallywell import __version__
from tallywell.readings.exchange import Pass
from tallywell.readings.facts import Anchor, Event, Fact, Poll
from tallywell.readings.faults import Fault
from tallywell.readings.problems import EdgeFailure, StorageFault
from tallywell.schedule.due import ClockStepped, LookAgain, begin
from tallywell.service import sentences
from tallywell.service.accepting import accepted_content, keys_of, keys_overheard, plans_of
from tallywell.service.anchoring import Dating, Instant, look
from tallywell.service.files import Loaded
from tallywell.service.hearing import hearing
from tallywell.service.lines import Delivered, LineThread, OneLine, better_names, ended_ns
from tallywell.service.listeners import Listeners, Sender
from tallywell.service.local_time import offset_ms
from tallywell.service.record_trouble import BACK, KEPT_FACTS, REFUSED, RecordTrouble
from tallywell.service.refusals import Refusals, refusal_of
from tallywell.service.rows import PointKeys, row
from tallywell.service.settings import Known, is_kept, known_of, news
from tallywell.service.settings_noted import settings_noted
from tallywell.service.site import AnyLine, Line, Site
from tallywell.service.watching import watching
from tallywell.service.world import MS_NS, World
from tallywell.stated.told import KINDS
from tallywell.store.append import open_writer
from tallywell.store.canonical import canonical
from tallywell.store.database import RecordFolder
from tallywell.store.inbox import ASKED, finish, take
from tallywell.store.query import Reader

LEAVING_S = 5.0
RETRY_S = 1.0  # between two tries to write the record


def last_end(folder: RecordFolder) -> str:
    """How the daemon ended last: `first` (it never ran), `stopped`, or `unclean end` (power cut, kill)."""
    with Reader(folder) as reader:
        started, stopped = reader.last_event("started"), reader.last_event("stopped")
    if started is None:
        return "first"
    return "stopped" if stopped is not None and stopped.seq > started.seq else "unclean end"


class Daemon:
    """Polls every line of the site and keeps every reading, until `stop`.

    `run` is for one thread and raises EdgeFailure when the record or a port cannot be opened at the start; `stop` may
    come from any thread. An exception that is not ours ends it without the event `stopped`, as a power cut does.
    """

    def __init__(self, loaded: Loaded, site: Site, world: World) -> None:
        self._loaded = loaded
        self._site = site
        self._world = world
        self._clock = world.clock
        self._folder = RecordFolder(loaded.record)
        self._delivered: deque[Delivered] = deque()
        self._unstored: list[Fact] = []  # facts that have their number and are not yet in the record
        self._asked: dict[str, int | None] = {}  # asks in hand: uuid -> seq of the poll once there is one
        self._lying: set[str] = set()  # names in the inbox that are done with and cannot be taken away
        self._trouble: dict[str, str] = {}  # what was said last of the inbox, the record and each line
        self._record_trouble: RecordTrouble | None = None
        self._wake = threading.Event()
        self._stopping = threading.Event()
        self._watch: dict[str, sentences.Watch] = {}
        self._refusals = Refusals()
        self._listeners = Listeners(loaded.record)
        self._listened_to = False

    def stop(self) -> None:
        self._stopping.set()
        self._wake.set()

    def run(self) -> None:
        self._folder.create()
        with open_writer(self._folder, __version__, self._world.boot_id) as self._writer:
            self._begin()
            try:
                while not self._stopping.is_set():
                    self._turn()
                self._leave()
            finally:
                self._hush()

    # beginning and end

    def _begin(self) -> None:
        now = self._instant()
        self._dating = Dating(now.wall_minus_boot_ms)
        self._offset_ms = offset_ms(now.wall_ms, self._site.zone)
        after = last_end(self._folder)
        with Reader(self._folder) as reader:
            noted = settings_noted(reader)
            self._books = watching(reader, self._site.points.values(), self._world.boot_id)
        self._settings: dict[str, Known] = dict(known_of(event.content) for event in noted.values())
        self._noted_once: set[tuple[str, str]] = set()  # quantities by point that are no settings
        settings = {point: event.seq for point, event in noted.items()}
        self._note("accepted", accepted_content(self._loaded, self._writer, settings))
        self._plans = plans_of(self._site)
        self._keys = dict(keys_of(self._loaded, self._site, self._plans, self._writer))
        self._note("started", {"after": after, "version": __version__})
        self._look_at_clocks()
        self._store()
        self._lines = {line.name: self._line(line, owed=after != "first") for line in self._site.lines.values()}
        self._look_due = self._clock.boot_ns()
        self._world.log(sentences.started(self._site, str(self._loaded.record), after))
        for said in better_names(self._site.lines.values()):
            self._world.log(said)
        for line in self._lines.values():
            line.start()

    def _line(self, line: AnyLine, *, owed: bool) -> OneLine:
        if isinstance(line, Line) and line.listen_only:
            mains = [(point, self._plans[point.name][0]) for point in self._site.points_of(line.name)]
            return hearing(line, mains, self._world, self._wall_minus_boot_ns(), self._deliver)
        plans = [plan for point in self._site.points_of(line.name) for plan in self._plans[point.name]]
        state = begin(plans, self._clock.boot_ns(), self._wall_minus_boot_ns(), at_once=True, owed=owed)
        port = self._world.open_port(line.settings, self._clock)
        return LineThread(line, port, state, self._clock, self._deliver, look_ns=self._world.look_ns)

    def _leave(self) -> None:
        self._hush()
        self._gather()
        self._note("stopped", {})
        self._store()
        if self._unstored:  # once more: the database was opened anew meanwhile
            self._store()
        lost = sum(isinstance(fact, Poll) for fact in self._unstored)
        farewell = f"; {sentences.counted(lost, 'reading')} that could not be stored are lost" if self._unstored else ""
        self._world.log(f"stopped{farewell}")

    def _hush(self) -> None:
        """End the line threads; the exchange that runs is abandoned and comes out as `stopped`."""
        lines = getattr(self, "_lines", {})
        for line in lines.values():
            line.stop()
        for name, line in lines.items():
            if not line.join(LEAVING_S):
                self._world.log(f"line {name}: its thread did not end within {LEAVING_S:.0f} s")
        self._listeners.close()

    # one turn

    def _deliver(self, done: Delivered) -> None:
        self._delivered.append(done)
        self._wake.set()

    def _turn(self) -> None:
        self._wake.clear()  # before anything is looked at: what comes after this ends the wait below
        if self._clock.boot_ns() >= self._look_due:
            self._look_about()
        if self._delivered and self._clock.boot_ns() >= self._commit_due():
            self._gather()
        if self._unstored:
            self._store()
        if not self._stopping.is_set():
            self._clock.wait(min(self._look_due, self._commit_due()), self._wake)

    def _commit_due(self) -> int:
        """When what was delivered is to be stored: a second after the first, at once where a person waits for it."""
        if not self._delivered:
            return self._look_due
        ended = ended_ns(self._delivered[0])
        waiting = any(isinstance(done, Pass) and done.asked for done in tuple(self._delivered))
        return ended if waiting else ended + self._world.gather_ns

    def _look_about(self) -> None:
        self._look_due = self._clock.boot_ns() + self._world.look_ns
        self._look_at_clocks()
        self._look_into_inbox()
        self._look_for_listeners()
        for name, line in self._lines.items():
            if not line.alive() and not self._stopping.is_set():  # a bug of ours: end loudly, be restarted
                self._gather()
                self._store()
                self._world.log(f"line {name}: its thread has ended by a fault of this program, which ends as well")
                raise RuntimeError(f"the thread of line {name} has ended")

    def _look_for_listeners(self) -> None:
        """Let `tallywell frames` see what passes over the lines."""
        listened_to = self._listeners.look()
        if listened_to != self._listened_to:
            for name, line in self._lines.items():
                line.tap(Sender(self._listeners, name) if listened_to else None)
        self._listened_to = listened_to

    def _look_at_clocks(self) -> None:
        now = self._instant()
        found = look(self._dating, now, sync := self._clock.sync())
        self._dating = found.dating
        if found.stepped_ms:
            self._note("clock_stepped", {"by_ms": found.stepped_ms, "synchronised": sync.synchronised})
            self._world.log(sentences.stepped(found.stepped_ms))
        if found.anchor:
            seq, run = self._writer.next_seq(), self._writer.run.id
            self._unstored.append(Anchor(seq, run, now.boot_ms, now.wall_ms, sync.half_width_ms))
        offset = offset_ms(now.wall_ms, self._site.zone)
        if found.stepped_ms or offset != self._offset_ms:
            self._offset_ms = offset
            for line in getattr(self, "_lines", {}).values():
                line.tell(ClockStepped(self._wall_minus_boot_ns()))

    def _look_into_inbox(self) -> None:
        now = self._instant()
        try:
            turn = take(
                self._writer,
                self._folder,
                kinds=KINDS,
                boot_ms=now.boot_ms,
                shown_ms=now.wall_ms,
                points=tuple(self._site.points),
                in_hand=tuple(self._asked),
                lying=self._lying,
            )
        except EdgeFailure as failure:
            self._complain("inbox", f"{failure}; what waits there stays there")
            return
        self._trouble.pop("inbox", None)
        self._lying.update(turn.lying)
        for uuid, seq in turn.stored:
            self._world.log(f"entered {uuid} as {seq}")
        for file, why in turn.refused:
            where = "it lies there still, take it away yourself" if file in turn.lying else "put into inbox/bad"
            self._world.log(f"inbox/{file}: {why}; {where}")
        for ask in turn.asks:
            self._ask(ask.uuid, ask.draft.point)

    def _ask(self, uuid: str, point: str | None) -> None:
        self._asked[uuid] = None
        if point is not None and point in self._site.points:
            self._lines[self._site.points[point].line].tell(LookAgain(point, uuid))
        else:
            self._answer(uuid, None)
            self._store()

    # storing

    def _gather(self) -> None:
        """Give every delivered pass its number and its row, and what happened to a port its event."""
        while self._delivered:
            done = self._delivered.popleft()
            if not isinstance(done, Pass):
                self._world.log(done.said)
                if event := done.event:
                    self._note(*event, at_boot_ms=done.at_ns // MS_NS)
                continue
            if (keys := self._keys_for(done)) is None:
                continue
            fact = row(done, keys, self._writer.next_seq(), self._writer.run.id, self._dating)
            self._unstored.append(fact)
            refusal = refusal_of(fact, keys.reads, keys.map)
            for event in self._refusals.after(done.point, keys, fact, refusal):
                self._note(*event)
            if keys.main:
                self._say(done, fact, refusal.said if refusal else "")
            else:
                self._say_beside(done, fact, keys, refusal.said if refusal else "")
            self._look_at_settings(done.point, keys, fact)
            self._look_at_total(done.point, keys, fact)
            if done.asked is not None:
                self._answer(done.asked, fact.seq)

    def _keys_for(self, done: Pass) -> PointKeys | None:
        """What was overheard may bear a plan that the record has yet to take in. None: it cannot just now."""
        known = self._keys.get((done.point, done.reads))
        if known is not None:
            return known
        try:
            found = keys_overheard(self._loaded, self._site.points[done.point], done.reads, self._writer)
        except StorageFault as fault:
            self._complain("record", f"{fault}; what was overheard meanwhile is lost")
            return None
        self._keys[done.point, done.reads] = found
        return found

    def _look_at_total(self, point: str, keys: PointKeys, fact: Poll) -> None:
        """Say what does not fit, and look again."""
        found = self._books[point].after(fact, keys)
        for said in found.said:
            self._world.log(f"{sentences.place(self._site.points[point])}: {said}")
        if found.look_again:
            self._lines[self._site.points[point].line].tell(LookAgain(point))

    def _look_at_settings(self, point: str, keys: PointKeys, fact: Poll) -> None:
        """Put on record, and say, what is new about the meter's identity and settings.

        What is read once may also come with each poll, in passing; it is noted once all the same.
        """
        if not any(is_kept(keys.map.quantities[name]) for name in keys.names):
            return
        values = [one for one in keys.decoded(fact).values.values() if (point, one.quantity) not in self._noted_once]
        once = {one.quantity for one in values if one.about.setting is None and one.fault is None}
        self._noted_once |= {(point, name) for name in once}
        found = news(point, keys.map, self._settings.get(point, {}), values)
        self._settings[point] = found.known
        for name, content in found.events:
            self._note(name, content)
        for said in found.said:
            self._world.log(f"{sentences.place(self._site.points[point])}: {said}")

    def _answer(self, uuid: str, poll: int | None) -> None:
        self._asked[uuid] = poll
        self._note(ASKED, {"uuid": uuid, "poll": poll})

    def _store(self) -> None:
        """Append what is not stored yet; only after the commit does the log acknowledge it."""
        try:
            self._writer.append(self._unstored)
        except StorageFault as fault:
            self._keep(fault)
            return
        stored, self._unstored = self._unstored, []
        self._mended()
        for fact in stored:
            if isinstance(fact, Poll):
                self._world.log(f"stored {fact.seq}")
        for fact in stored:
            if isinstance(fact, Event) and fact.name == ASKED:
                self._finish(fact)

    def _finish(self, event: Event) -> None:
        uuid = _uuid(event)
        try:
            finish(self._folder, uuid)
        except OSError as failure:  # answered all the same; left in hand, or it would be asked again and again
            self._world.log(f"inbox/{uuid}.json: it cannot be taken away ({failure.strerror})")
            return
        del self._asked[uuid]

    def _keep(self, fault: StorageFault) -> None:
        """The record cannot be written: hold what was read, oldest given up beyond the bound, and try again."""
        self._complain("record", f"{fault}; readings wait in memory, the newest {KEPT_FACTS}")
        if self._record_trouble is None:
            self._record_trouble = RecordTrouble(self._instant().boot_ms)
            self._note(REFUSED, {"why": str(fault)})
        self._give_up(self._record_trouble)
        if not self._stopping.is_set():
            self._stopping.wait(RETRY_S)
        with suppress(StorageFault):  # the next append meets it again
            self._writer.reopen()

    def _give_up(self, trouble: RecordTrouble) -> None:
        first = not trouble.lost
        gone, self._unstored = trouble.give_up(self._unstored)
        if gone and first:
            self._world.log(f"record: more than {KEPT_FACTS} facts wait; the oldest are given up")
        for fact in gone:
            self._writer.give_back(fact.seq)
            if isinstance(fact, Event) and fact.name == ASKED:
                self._asked.pop(_uuid(fact), None)  # nobody was answered: it lies in the inbox and is taken anew

    def _mended(self) -> None:
        trouble, self._record_trouble = self._record_trouble, None
        if self._trouble.pop("record", None) is not None:
            given_up = f"; {trouble.lost} facts were given up meanwhile" if trouble and trouble.lost else ""
            self._world.log(f"record: it can be written again{given_up}")
        if trouble is not None:
            names = {keys.point: point for (point, _), keys in self._keys.items()}
            self._note(BACK, trouble.content(self._instant().boot_ms, names))

    def _complain(self, of: str, trouble: str) -> None:
        """Say it once, not twice a second for as long as it lasts."""
        if self._trouble.get(of) != trouble:
            self._trouble[of] = trouble
            self._world.log(f"{of}: {trouble}")

    def _note(self, name: str, content: dict[str, object], at_boot_ms: int | None = None) -> None:
        """Without `at_boot_ms` it happens now."""
        now = self._instant()
        back_ms = 0 if at_boot_ms is None else now.boot_ms - at_boot_ms
        seq, run = self._writer.next_seq(), self._writer.run.id
        event = Event(seq, run, now.boot_ms - back_ms, now.wall_ms - back_ms, name, canonical(content))
        self._unstored.append(event)

    # what is seen and said

    def _instant(self) -> Instant:
        return self._world.instant()

    def _wall_minus_boot_ns(self) -> int:
        return (self._dating.wall_minus_boot_ms + self._offset_ms) * MS_NS

    def _say_beside(self, done: Pass, fact: Poll, keys: PointKeys, refusal: str) -> None:
        """Say once when a set besides the books' total cannot be read though the point answers."""
        of = f"{sentences.place(self._site.points[done.point])}: {', '.join(keys.names)}"
        if fact.fault is None:
            self._trouble.pop(of, None)
        elif fact.fault != Fault.STOPPED and not self._watch.get(done.point, sentences.Watch()).missed:
            self._complain(of, sentences.not_read(fact.fault, refusal))

    def _say(self, done: Pass, fact: Poll, refusal: str) -> None:
        """Say when a point falls silent and when it answers again, once each."""
        before = self._watch.get(done.point, sentences.Watch())
        now = before.after(fact, refusal)
        self._watch[done.point] = now
        point = self._site.points[done.point]
        if said := sentences.change(point, before, now, self._site.zone):
            self._world.log(said)


def _uuid(asked: Event) -> str:
    import json

    return str(json.loads(asked.content)["uuid"])
