"""Answer a question that the report puts: how often a totalizer went round in a gap, or that it was reset there.

Where more than one explanation fits, the books take the least and the report asks. Give any time inside the stretch in
question. An answer is your word: it is kept with your name, and the report says that it settled the stretch.
"""

import argparse

SUMMARY = "answer a question of the report: how often a totalizer went round, or a reset"


def arguments(parser: argparse.ArgumentParser) -> None:
    from tallywell.commandline.site import site_argument, statement_arguments

    site_argument(parser)
    parser.set_defaults(kind="settle")
    parser.add_argument("point", metavar="POINT", help="the point")
    answer = parser.add_mutually_exclusive_group(required=True)
    answer.add_argument("--rounds", metavar="N", type=int, help="it went round so often (0: not at all)")
    answer.add_argument("--reset", action="store_true", help="it was set back")
    parser.add_argument("--first-count", metavar="DIGITS", help="with --reset: what it showed then (default: zero)")
    statement_arguments(parser, "it was reset, or any time inside the stretch")


def run(options: argparse.Namespace) -> int:
    from tallywell.commandline.entry import content_of, entered, face_of, opened, stated
    from tallywell.commandline.site import called_wrongly
    from tallywell.stated.meters import settle_content

    loaded, site, point = opened(options)
    if options.at is None:
        raise called_wrongly("--at is missing: a time inside the stretch that the report asks about")
    if options.first_count is not None and not options.reset:
        raise called_wrongly("--first-count goes with --reset")
    face = face_of(point)
    content = content_of(
        lambda: settle_content(face, rounds=options.rounds, first_count=options.first_count, note=options.note)
    )
    return entered(loaded, site, stated(options, loaded, site, point, content))
