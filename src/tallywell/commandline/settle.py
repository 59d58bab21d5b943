"""Answer a question that the report puts: how often a totalizer went round in a gap, or that it was reset there.

Where more than one explanation fits, the books take the least and the report asks. Give any time inside the stretch in
question. An answer is your word: it is kept with your name, and the report says that it settled the stretch.
"""

import argparse

SUMMARY = "answer a question of the report: how often a totalizer went round, or a reset"
RESET = "reset"


def arguments(parser: argparse.ArgumentParser) -> None:
    from tallywell.commandline.site import site_argument, statement_arguments

    site_argument(parser)
    parser.set_defaults(kind="settle")
    parser.add_argument("point", metavar="POINT", help="the point")
    answer = parser.add_mutually_exclusive_group()
    answer.add_argument("--rounds", metavar="N", type=int, help="it went round so often (0: not at all)")
    answer.add_argument("--reset", action="store_true", help="it was set back")
    parser.add_argument("--first-count", metavar="DIGITS", help="with --reset: what it showed then (default: zero)")
    statement_arguments(parser, "it was reset, or any time inside the stretch")


def run(options: argparse.Namespace) -> int:
    from tallywell.commandline.asking import Asking
    from tallywell.commandline.entry import content_of, digits_of, entered, face_of, opened, stated
    from tallywell.commandline.site import called_wrongly, moment_check
    from tallywell.stated.meters import settle_content

    loaded, site, point = opened(options)
    asking, face = Asking(), face_of(point)
    question = "a time inside the stretch that the report asks about"
    options.at = asking.need(options.at, "--at", question, moment_check(site))
    given = RESET if options.reset else None if options.rounds is None else str(options.rounds)
    answer = asking.need(given, "--rounds or --reset", f'how often it went round, or "{RESET}"', _check_answer)
    is_reset = answer == RESET
    if options.first_count is not None and not is_reset:
        raise called_wrongly("--first-count goes with --reset")
    first = options.first_count
    if is_reset:
        first = asking.may(first, "--first-count", "what it showed then, all digits; empty: zero", digits_of(face))
    rounds = None if is_reset else int(answer)
    content = content_of(lambda: settle_content(face, rounds=rounds, first_count=first, note=options.note))
    return entered(loaded, site, stated(options, loaded, site, point, content))


def _check_answer(text: str) -> None:
    if text != RESET and not text.removeprefix("-").isdecimal():
        raise ValueError(f'{text!r} is no number of rounds; write one, or "{RESET}"')
