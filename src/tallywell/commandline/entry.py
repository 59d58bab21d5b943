"""What the commands that state something have in common: the face, what is corrected, and what became of it."""

import argparse
import sys
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass

from tallywell.commandline.asking import Asking
from tallywell.commandline.calls import fitted
from tallywell.commandline.kept_words import kept_lines, volume_of
from tallywell.commandline.site import author, called_wrongly, instant, now_ms, point_named, sound_site
from tallywell.readings.problems import EdgeFailure
from tallywell.reports.face import Face
from tallywell.service.correcting import may_replace, standing
from tallywell.service.entering import Fate, Statement, enter
from tallywell.service.files import Loaded
from tallywell.service.odd_entries import odd_on_record, still_to_come
from tallywell.service.site import Point, Site
from tallywell.stated.content import Content, EntryError, face_digits
from tallywell.store.database import RecordFolder
from tallywell.store.query import Reader

TYPE_CHECKING = False  # as in typing; what follows a point's ledger is dear
if TYPE_CHECKING:
    from tallywell.service.held_against import Count


def opened(options: argparse.Namespace) -> tuple[Loaded, Site, Point]:
    """The site, and the point that the command is about."""
    loaded, site = sound_site(options.site)
    return loaded, site, point_named(site, options.point)


def face_of(point: Point) -> Face:
    """How the point's meter shows its total; a map without a total ends the command with 2."""
    from tallywell.service.following import face_of as stated_or_derived

    if point.map.books is None:
        raise called_wrongly(f"{point.name}: its map {point.map_name} has no total that a face could show")
    return stated_or_derived(point)[0]


@dataclass(frozen=True, slots=True)
class DigitsOf:
    """Checks what a person copied from a face. At a terminal all digits are wanted, where it is stated how many there
    are: a digit that was left out makes a tenth of the count.
    """

    face: Face
    stated: bool

    def __call__(self, text: str) -> object:
        return face_digits(text, self.face)

    def asked(self, text: str) -> object:
        typed = sum(character.isdigit() for character in text)
        if self.stated and "." not in text and typed < self.face.digits and text.strip("0123456789,_ ") == "":
            raise ValueError(f"{text!r} has {typed} digits, the face {self.face.digits}; copy all, zeros included")
        return self(text)


@dataclass(frozen=True, slots=True)
class OrWord:
    """Digits of a face, or the word for what is not known of it."""

    digits: DigitsOf
    word: str

    def __call__(self, text: str) -> object:
        return text if text == self.word else self.digits(text)

    def asked(self, text: str) -> object:
        return text if text == self.word else self.digits.asked(text)


def digits_of(point: Point) -> DigitsOf:
    """Of the face that the point's meter has. Of a register that goes round at no power of ten nobody knows how many
    digits a face shows, unless it is stated.
    """
    from tallywell.service.following import books_of
    from tallywell.service.following import face_of as stated_or_derived

    face_of(point)
    face, stated_so = stated_or_derived(point)
    return DigitsOf(face, stated_so or books_of(point).capacity == face.capacity)


def content_of(make: Callable[[], Content]) -> Content:
    """Content that cannot be kept ends the command with 2. What is wrong begins with its field, as the flag."""
    try:
        return make()
    except EntryError as wrong:
        field, _, what = str(wrong).partition(": ")
        flag = "TEXT" if field == "text" else f"--{field.replace('_', '-')}"
        raise called_wrongly(f"{flag}: {what}" if what and field.isidentifier() else str(wrong)) from None


def stated(options: argparse.Namespace, loaded: Loaded, site: Site, point: Point, content: Content) -> Statement:
    """The statement that the command is for, about the time given."""
    return stated_about(options, loaded, point.name, instant(site, options.at) or now_ms(), content)


def stated_about(
    options: argparse.Namespace, loaded: Loaded, point: str | None, about_ms: int, content: Content
) -> Statement:
    """With what it corrects and why."""
    replaces, because = corrected(options, loaded, point, content)
    kept = dict(content) if because is None else dict(content) | {"replaced_because": because}
    return Statement(options.kind, point, about_ms, author(options), kept, replaces)


def corrected(
    options: argparse.Namespace, loaded: Loaded, point: str | None = None, content: Content | None = None
) -> tuple[str | None, str | None]:
    """The entry that is corrected, by the beginning of its name, and the reason. It must be of the kind and the point
    that the command is for.
    """
    if options.replaces is None:
        return None, None
    if not (options.correcting or "").strip():
        raise called_wrongly('--replaces: an entry is replaced with its reason; add --correcting "what was wrong"')
    said, zone = content or {}, loaded.site.zone if loaded.site else None
    points = (point or getattr(options, "point", None), said.get("to") if options.kind == "moved" else None)
    assert zone is not None
    try:
        named = standing(RecordFolder(loaded.record), options.replaces)
        may_replace(named, options.kind, said, tuple(str(one) for one in points if one), zone)
    except EntryError as wrong:
        raise called_wrongly(f"--replaces: {wrong}") from None
    return named.entry.uuid, options.correcting.strip()


def said_of_face(point: Point, shows: str, face: Face) -> str:
    """The volume that digits stand for, so that a slip is seen at once."""
    return f"{point.name}: {shows} is {volume_of(face, shows)}{_fewer(shows, face)}"


def _fewer(shows: str, face: Face) -> str:
    """A digit that was left out makes a tenth of the count; zeros that were left out make no difference."""
    typed = sum(character.isdigit() for character in shows)
    return f"; {typed} digits, where the face has {face.digits}" if typed < face.digits and "." not in shows else ""


def echoed(
    loaded: Loaded,
    site: Site,
    statement: Statement,
    counts: "Sequence[Count]",
    *,
    serial: str = "",
    taken: bool = False,
    at: Point | None = None,
) -> tuple[str, ...]:
    """Each count said back as a volume; what speaks against them, and against a meter of this serial number that is put
    in or (`taken`) away. `at`: the point, where it is not that of the statement.
    """
    from tallywell.service.held_against import Moment, odd_counts, odd_serial

    assert statement.about_ms is not None
    assert statement.point is not None
    point = site.points[statement.point] if at is None else at
    for one in counts:
        print(said_of_face(point, one.shows, one.face))
    moment = Moment(site, point, statement.about_ms, statement.replaces)

    def odd(reader: Reader) -> Iterator[str]:
        yield from odd_serial(reader, moment, serial, taken=taken) if serial else ()
        yield from odd_counts(reader, moment, counts)

    return _seen(loaded, odd)


def entered(
    loaded: Loaded,
    site: Site,
    statement: Statement,
    asking: Asking | None = None,
    *,
    odd: Iterable[str] = (),
    counts: "Sequence[Count]" = (),
) -> int:
    """As `entered_as`, where its name matters to nobody."""
    return entered_as(loaded, site, statement, asking, odd=odd, counts=counts)[0]


def entered_as(
    loaded: Loaded,
    site: Site,
    statement: Statement,
    asking: Asking | None = None,
    *,
    odd: Iterable[str] = (),
    counts: "Sequence[Count]" = (),
) -> tuple[int, str]:
    """Enter it and say what became of it; exit code and uuid. `odd`: what speaks against it, said before; where the
    answers of a person were gathered, all is shown (`counts` as volumes, too) and entered only after a yes.
    """
    for one in (*odd, *_odd_of_any(loaded, site, statement)):
        print(fitted(f"warning: {one}"), file=sys.stderr)
    if asking is not None:
        asking.agreed(kept_lines(statement, site, {one.name: one.face for one in counts}))
    uuid, outlook = enter(loaded.record, statement, tuple(site.points))
    if outlook.fate is Fate.TAKEN:
        print(f"{statement.kind} entered as {outlook.seq}, {uuid}")
        return 0, uuid
    if outlook.fate is Fate.QUEUED:
        print(f"{uuid} queued: it lies in the inbox and will be taken when the daemon gets to it")
        return 0, uuid
    print(f"refused: {outlook.why}", file=sys.stderr)
    return 1, uuid


def _odd_of_any(loaded: Loaded, site: Site, statement: Statement) -> tuple[str, ...]:
    """What may not have been meant, whatever it is that is stated."""
    on_record = _seen(loaded, lambda reader: odd_on_record(reader, statement, site.zone))
    return (*still_to_come(statement, now_ms(), site.zone), *on_record)


def _seen(loaded: Loaded, look: Callable[[Reader], Iterable[str]]) -> tuple[str, ...]:
    """What a look at the record says. One that cannot be read now keeps nobody from stating anything."""
    folder = RecordFolder(loaded.record)
    if not folder.db.exists():
        return ()
    try:
        with Reader(folder) as reader:
            return tuple(look(reader))
    except EdgeFailure as failure:
        return (f"it cannot be held against the record ({failure})",)
