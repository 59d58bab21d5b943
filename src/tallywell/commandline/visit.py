"""Put a hand reading on record: what the face of the meter showed when somebody stood before it.

Type the digits as they stand, fixed zeros included. The reading is compared at once with what the register said around
that time; where the daemon runs and the reading is of now, the meter is polled for it. The entry goes through the
record's inbox, so it may be made while the daemon runs; it is never edited, only replaced by a later one (--replaces).
"""

import argparse

TYPE_CHECKING = False  # as in typing, whose import the help would wait for
if TYPE_CHECKING:
    from tallywell.service.entering import Statement
    from tallywell.service.files import Loaded
    from tallywell.service.site import Point, Site

SUMMARY = "a hand reading, as the meter's face shows it"
JUST_NOW_MS = 120_000
PATIENCE_S = 15.0


def arguments(parser: argparse.ArgumentParser) -> None:
    from tallywell.commandline.site import site_argument, statement_arguments

    site_argument(parser)
    parser.set_defaults(kind="visit")
    parser.add_argument("point", metavar="POINT", help="the point whose meter was read")
    parser.add_argument("--shows", metavar="DIGITS", help="what the face shows, all digits")
    parser.add_argument("--agency", action="store_true", help="it was read by the agency's own person")
    statement_arguments(parser, "it was read")


def run(options: argparse.Namespace) -> int:
    from tallywell.commandline.asking import Asking
    from tallywell.commandline.entry import content_of, digits_of, echoed, entered_as, opened, said_of_face, stated
    from tallywell.commandline.site import moment_check
    from tallywell.service.held_against import Count, Side
    from tallywell.stated.visits import visit_content

    loaded, site, point = opened(options)
    asking, face = Asking(options.shows), digits_of(point)
    options.at = asking.when(options.at, "it was read", moment_check(site))
    shows = asking.need(options.shows, "--shows", "what the face shows, all digits", face)
    content = content_of(lambda: visit_content(shows, face.face, options.note, agency=options.agency))
    statement = stated(options, loaded, site, point, content)
    counts = [Count("shows", shows, face.face, Side.BOTH)]
    odd = echoed(loaded, site, statement, counts) if asking.asked else ()
    if not asking.asked:
        print(said_of_face(point, str(content["shows"]), face.face))
    code, uuid = entered_as(loaded, site, statement, asking, odd=odd, counts=counts)
    if code == 0:
        _compare(loaded, site, point, statement, uuid)
    return code


def _compare(loaded: "Loaded", site: "Site", point: "Point", statement: "Statement", uuid: str) -> None:
    """Beside the register around that time, within one step of face and register."""
    from tallywell.commandline.calls import fitted
    from tallywell.commandline.site import now_ms
    from tallywell.service.comparing import compared
    from tallywell.service.entering import ask, daemon_runs
    from tallywell.store.database import RecordFolder
    from tallywell.store.query import Reader

    assert statement.about_ms is not None
    if abs(statement.about_ms - now_ms()) < JUST_NOW_MS and daemon_runs(loaded.record):
        ask(loaded.record, point.name, statement.author, PATIENCE_S)
    with Reader(RecordFolder(loaded.record)) as reader:
        found = compared(reader, point, statement.about_ms, str(statement.content["shows"]))
    print(fitted(f"{point.name}: {found.words}"))
    if found.differs:
        print("if a digit slipped, enter it once more, with the same --at, and with")
        print(f'  --replaces {uuid[:8]} --correcting "a digit slipped"')
