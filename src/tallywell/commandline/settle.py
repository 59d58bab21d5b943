"""Answer a question that the report puts: how often a totalizer went round in a gap, or that it was reset there.

Where more than one explanation fits, the books take the least and the report asks. Give any time inside the stretch in
question; where none is open at that time, nothing is entered, and the open ones of the point are named. An answer is
your word: it is kept with your name, and the report says that it settled the stretch.
"""

import argparse

TYPE_CHECKING = False  # as in typing, whose import the help would wait for
if TYPE_CHECKING:
    from tallywell.reports.face import Face
    from tallywell.service.entering import Statement
    from tallywell.service.files import Loaded
    from tallywell.service.site import Point, Site

SUMMARY = "answer a question of the report: how often a totalizer went round, or a reset"
RESET = "reset"


def arguments(parser: argparse.ArgumentParser) -> None:
    from tallywell.commandline.site import author_argument, replacing_arguments, site_argument

    site_argument(parser)
    parser.set_defaults(kind="settle")
    parser.add_argument("point", metavar="POINT", help="the point")
    answer = parser.add_mutually_exclusive_group()
    answer.add_argument("--rounds", metavar="N", type=int, help="it went round so often (0: not at all)")
    answer.add_argument("--reset", action="store_true", help="it was set back")
    parser.add_argument("--first-count", metavar="DIGITS", help="with --reset: what it showed then (default: zero)")
    parser.add_argument(
        "--at",
        metavar="TIME",
        help='needed: a time inside the stretch, or when it was reset, "2026-07-01 14:05", local',
    )
    author_argument(parser)
    parser.add_argument("--note", default="", help="a remark")
    replacing_arguments(parser)


def run(options: argparse.Namespace) -> int:
    from tallywell.commandline.asking import Asking
    from tallywell.commandline.entry import content_of, digits_of, entered, opened, stated
    from tallywell.commandline.site import called_wrongly, moment_check
    from tallywell.service.held_against import Count, Side
    from tallywell.stated.meters import settle_content

    loaded, site, point = opened(options)
    given = RESET if options.reset else None if options.rounds is None else str(options.rounds)
    asking, face = Asking(options.at, given), digits_of(point)
    if asking.asked and options.at is None:
        _show_open(options, loaded, site, point, face.face)
    question = "a time inside the stretch that the report asks about"
    options.at = asking.need(options.at, "--at", question, moment_check(site))
    what = f'how often it went round (0: not at all), or "{RESET}" where it was set back'
    answer = asking.need(given, "--rounds or --reset", what, _check_answer)
    is_reset = answer == RESET
    if options.first_count is not None and not is_reset:
        raise called_wrongly("--first-count goes with --reset")
    first = options.first_count
    if is_reset:
        first = asking.may(first, "--first-count", "what it showed then, all digits", face, "zero")
    rounds = None if is_reset else int(answer)
    content = content_of(lambda: settle_content(face.face, rounds=rounds, first_count=first, note=options.note))
    statement = stated(options, loaded, site, point, content)
    _answers(options, loaded, site, statement, face.face)
    shown = [Count("first_count", str(content["first_count"]), face.face, Side.SINCE)] if is_reset else []
    return entered(loaded, site, statement, asking, counts=shown)


def _show_open(options: argparse.Namespace, loaded: "Loaded", site: "Site", point: "Point", face: "Face") -> None:
    """What there is to answer, for whoever is asked for a time."""
    import sys

    from tallywell.commandline.site import now_ms
    from tallywell.service.questions import Ledger, open_ones
    from tallywell.store.database import RecordFolder
    from tallywell.store.query import Reader

    if RecordFolder(loaded.record).db.exists():
        with Reader(RecordFolder(loaded.record)) as reader:
            last = reader.last_dated()
            at_ms = now_ms() if last is None or last[1].utc_ms is None else last[1].utc_ms
            lines = open_ones(Ledger(reader, point, face, site.zone, str(options.site)), at_ms)
            print("\n".join(lines), file=sys.stderr)


def _answers(options: argparse.Namespace, loaded: "Loaded", site: "Site", statement: "Statement", face: "Face") -> None:
    """What answers no question is not entered."""
    from tallywell.commandline.site import called_wrongly
    from tallywell.reports.face import face_count
    from tallywell.service.questions import Given, Ledger, answers
    from tallywell.stated.content import EntryError
    from tallywell.store.database import RecordFolder
    from tallywell.store.query import Reader

    point, content = site.points[str(statement.point)], statement.content
    if not RecordFolder(loaded.record).db.exists():
        raise called_wrongly(f"--at: {point.name} was never read, so that no question is open")
    rounds = content.get("rounds")
    first = face_count(face, str(content["first_count"])) if "first_count" in content else None
    assert statement.about_ms is not None
    given = Given(statement.about_ms, rounds if isinstance(rounds, int) else None, first)
    with Reader(RecordFolder(loaded.record)) as reader:
        try:
            answers(Ledger(reader, point, face, site.zone, str(options.site)), given, statement.replaces)
        except EntryError as wrong:
            raise called_wrongly(str(wrong)) from None


def _check_answer(text: str) -> None:
    if text != RESET and not text.removeprefix("-").isdecimal():
        raise ValueError(f'{text!r} is no number of rounds; write one, or "{RESET}"')
