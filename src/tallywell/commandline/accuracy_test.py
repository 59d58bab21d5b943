"""Put on record how a meter did against a reference: its error, who tested it, and with what.

It changes no volume: the report prints the test beside the volumes, which stay as the meter counted them. Where your
agency wants them corrected, that is for you to do, or an estimate.
"""

import argparse

SUMMARY = "a meter against a reference: its error, by whom, with what"


def arguments(parser: argparse.ArgumentParser) -> None:
    from tallywell.commandline.site import site_argument, statement_arguments

    site_argument(parser)
    parser.set_defaults(kind="accuracy-test")
    parser.add_argument("point", metavar="POINT", help="the point whose meter was tested")
    parser.add_argument("--error", metavar="PERCENT", help='such as "+1.2 %%": the meter shows so much too much')
    parser.add_argument("--meter", metavar="AMOUNT", help='instead of --error: what the meter showed, "1015 gal"')
    parser.add_argument("--true", metavar="AMOUNT", help='and what the reference showed meanwhile, "1000 gal"')
    parser.add_argument("--reference", metavar="TEXT", help="what it was held against")
    parser.add_argument("--tester", metavar="NAME", help="who tested it")
    statement_arguments(parser, "it was tested")


def run(options: argparse.Namespace) -> int:
    from tallywell.commandline.asking import Asking
    from tallywell.commandline.entry import content_of, entered, opened, stated
    from tallywell.commandline.site import called_wrongly, moment_check
    from tallywell.stated.content import EntryError
    from tallywell.stated.notes import accuracy_test_content, error_between, error_in_words, error_of

    loaded, site, point = opened(options)
    measured = options.meter is not None or options.true is not None
    asking = Asking(options.error or measured or None, options.reference, options.tester)
    options.at = asking.when(options.at, "it was tested", moment_check(site))
    try:
        if options.meter is not None and options.true is not None and options.error is None:
            error = error_between(options.meter, options.true)
        elif measured:
            raise called_wrongly("give --error, or both --meter and --true")
        else:
            error = error_of(asking.need(options.error, "--error", 'the meter\'s error, such as "+1.2 %"', error_of))
    except EntryError as wrong:
        raise called_wrongly(f"--{wrong}") from None
    reference = asking.need(options.reference, "--reference", "what it was held against")
    tester = asking.need(options.tester, "--tester", "who tested it")
    content = content_of(lambda: accuracy_test_content(error, reference, tester, options.note))
    print(f"{point.name}: the meter's error is {error_in_words(error)}; no volume is changed by it")
    return entered(loaded, site, stated(options, loaded, site, point, content), asking)
