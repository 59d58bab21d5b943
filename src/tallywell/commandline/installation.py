"""Put on record which meter hangs at a point from when on, and what its face showed at that moment.

Without it the books begin at the first reading, and the report says that the installation was not entered. Where
another meter was read at the point before, `tallywell changeout` is the entry to make.
"""

import argparse

TYPE_CHECKING = False  # as in typing, whose import the help would wait for
if TYPE_CHECKING:
    from tallywell.service.files import Loaded
    from tallywell.service.site import Point, Site

SUMMARY = "which meter hangs at a point, from when, and its first count"


def arguments(parser: argparse.ArgumentParser) -> None:
    from tallywell.commandline.site import site_argument, statement_arguments

    site_argument(parser)
    parser.set_defaults(kind="installation")
    parser.add_argument("point", metavar="POINT", help="the point where the meter hangs")
    parser.add_argument("--serial", help="the serial number on the meter's plate")
    parser.add_argument("--converter", metavar="SERIAL", help="that of its converter, where it has one of its own")
    parser.add_argument("--shows", metavar="DIGITS", help="what the face showed then, all digits (default: not noted)")
    statement_arguments(parser, "it was installed")


def run(options: argparse.Namespace) -> int:
    from tallywell.commandline.asking import Asking
    from tallywell.commandline.entry import content_of, digits_of, echoed, entered, opened, stated
    from tallywell.commandline.site import moment_check
    from tallywell.service.held_against import Count, Side
    from tallywell.stated.meters import installation_content

    loaded, site, point = opened(options)
    asking, face = Asking(options.serial), digits_of(point)
    options.at = asking.when(options.at, "it was installed", moment_check(site))
    serial = asking.need(options.serial, "--serial", "the serial number on the meter's plate")
    converter = asking.may(options.converter, "--converter", "that of its converter, where it has one of its own")
    shows = asking.may(options.shows, "--shows", "what the face showed then, all digits", face, "not noted")
    content = content_of(lambda: installation_content(serial, shows, face.face, options.note, converter))
    statement = stated(options, loaded, site, point, content)
    _ends_nothing(loaded, site, point, statement.about_ms or 0, statement.replaces)
    counts = [] if shows is None else [Count("first_count", shows, face.face, Side.SINCE)]
    odd = echoed(loaded, site, statement, counts, serial=serial)
    return entered(loaded, site, statement, asking, odd=odd, counts=counts)


def _ends_nothing(loaded: "Loaded", site: "Site", point: "Point", about_ms: int, replaces: str | None) -> None:
    """An installation ends the books of the meter read before it: not by a mere slip of the time."""
    from tallywell.commandline.site import called_wrongly
    from tallywell.service.local_time import shown
    from tallywell.service.looking import first_reading_ms
    from tallywell.store.database import RecordFolder
    from tallywell.store.query import Reader

    if not RecordFolder(loaded.record).db.exists():
        return
    with Reader(RecordFolder(loaded.record)) as reader:
        first_ms = first_reading_ms(reader, point, replaces)
    if first_ms is not None and first_ms < about_ms:
        raise called_wrongly(
            f"{point.name} was read already, since {shown(first_ms, site.zone)}. If that was this meter, give the time "
            "when it was put in (--at, before then) and what it showed then; if this one took its place, enter "
            "`tallywell changeout`"
        )
