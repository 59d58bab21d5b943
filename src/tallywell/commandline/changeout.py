"""Put on record that one meter took the place of another: the old one's final count, the new one's serial number and
first count, the wire seals.

The books go on without a step: the old meter up to its final count, the new one from its first. Where the old face
could not be read any more, say `--old-final unreadable`: what it counted after its last reading is then not known, and
the report says so.

Note the old count before the power is off. Work in a panel is for a licensed electrician, with the power off and locked
out, by the local code; this record is no substitute for either.
"""

import argparse

TYPE_CHECKING = False  # as in typing, whose import the help would wait for
if TYPE_CHECKING:
    from tallywell.reports.face import Face

SUMMARY = "one meter took the place of another: final count, new serial number, first count"


def arguments(parser: argparse.ArgumentParser) -> None:
    from tallywell.commandline.site import site_argument, statement_arguments

    site_argument(parser)
    parser.set_defaults(kind="changeout")
    parser.add_argument("point", metavar="POINT", help="the point where the meter was changed")
    parser.add_argument("--old-final", metavar="DIGITS", help='what the old face showed at last, or "unreadable"')
    parser.add_argument("--serial", help="the serial number of the new meter's sensor")
    parser.add_argument("--first-count", metavar="DIGITS", help='what the new face showed first, or "unknown"')
    parser.add_argument("--converter", metavar="SERIAL", help="that of its converter, where it has one of its own")
    parser.add_argument("--sensor-kept", action="store_true", help="only the converter was changed")
    parser.add_argument("--seal-removed", metavar="NUMBER", help="the wire seal that was taken off")
    parser.add_argument("--seal", metavar="NUMBER", help="the wire seal that was put on")
    parser.add_argument(
        "--old-face", metavar="STEP,DIGITS", help='where the old face was another: such as "0.001 acre_foot,8"'
    )
    statement_arguments(parser, "it was changed")


def run(options: argparse.Namespace) -> int:
    from tallywell.commandline.asking import Asking
    from tallywell.commandline.entry import DigitsOf, OrWord, content_of, digits_of, echoed, entered, opened, stated
    from tallywell.commandline.site import moment_check
    from tallywell.service.held_against import Count, Side
    from tallywell.stated.meters import UNREADABLE, ChangeOut, changeout_content

    loaded, site, point = opened(options)
    asking = Asking(options.old_final, options.serial, options.first_count)
    new, old_face = digits_of(point), _old_face(options.old_face)
    old = new if old_face is None else DigitsOf(old_face, stated=True)
    options.at = asking.when(options.at, "it was changed", moment_check(site))
    what = f'what the old face showed at last, all digits, or "{UNREADABLE}"'
    final = asking.need(options.old_final, "--old-final", what, OrWord(old, UNREADABLE))
    serial = asking.need(options.serial, "--serial", "the serial number of the new meter's sensor")
    what = 'what the new face showed first, all digits, or "unknown"'
    first = asking.need(options.first_count, "--first-count", what, OrWord(new, "unknown"))
    made = ChangeOut(
        serial,
        None if first == "unknown" else first,
        None if final == UNREADABLE else final,
        asking.may(options.converter, "--converter", "the serial number of its converter"),
        old_face,
        asking.may(options.seal_removed, "--seal-removed", "the wire seal that was taken off"),
        asking.may(options.seal, "--seal", "the wire seal that was put on"),
        options.sensor_kept,
        options.note,
    )
    statement = stated(options, loaded, site, point, content_of(lambda: changeout_content(made, new.face)))
    counts = [Count("old_final", made.old_final, old.face, Side.BEFORE)] if made.old_final is not None else []
    counts += [Count("first_count", made.first_count, new.face, Side.SINCE)] if made.first_count is not None else []
    odd = echoed(loaded, site, statement, counts, serial="" if options.sensor_kept else serial)
    return entered(loaded, site, statement, asking, odd=odd, counts=counts)


def _old_face(text: str | None) -> "Face | None":
    from tallywell.commandline.site import called_wrongly
    from tallywell.readings.units import measure
    from tallywell.reports.face import Face

    if text is None:
        return None
    step, _, digits = text.rpartition(",")
    try:
        found = Face(measure(step.strip(), "volume"), int(digits))
    except ValueError:
        raise called_wrongly(f'--old-face: {text!r} is no step and digits; write it as "0.001 acre_foot,8"') from None
    if not 1 <= found.digits <= 18:
        raise called_wrongly(f"--old-face: a face has 1 to 18 digits, not {digits.strip()}")
    return found
