"""Take an entry back that should never have been made: one made twice, or one about what did not happen.

Nothing is deleted. The withdrawal is an entry of its own, with its reason and who states it, and from then on the books
are as if the other had not been made; `entries --all` and the report show both. An entry that is only wrong in what it
says is better corrected (--replaces of its own command). What the withdrawn one had itself corrected stays replaced:
enter that anew if it was right after all. A withdrawal cannot be withdrawn; enter again what is true.
"""

import argparse

SUMMARY = "take an entry back, with the reason"


def arguments(parser: argparse.ArgumentParser) -> None:
    from tallywell.commandline.site import author_argument, site_argument

    site_argument(parser)
    parser.set_defaults(kind="withdraw")
    parser.add_argument(
        "entry", metavar="UUID", help="the entry (its beginning will do; `tallywell entries` lists them)"
    )
    parser.add_argument("--because", metavar="TEXT", help="why it is taken back")
    author_argument(parser)


def run(options: argparse.Namespace) -> int:
    from tallywell.commandline.asking import Asking
    from tallywell.commandline.calls import fitted
    from tallywell.commandline.entry import content_of, entered
    from tallywell.commandline.kept_words import said_of
    from tallywell.commandline.site import author, called_wrongly, sound_site
    from tallywell.service.correcting import standing
    from tallywell.service.entering import Statement
    from tallywell.stated.content import EntryError, about_ms
    from tallywell.stated.withdrawn import withdrawn_content
    from tallywell.store.database import RecordFolder

    loaded, site = sound_site(options.site)
    try:
        named = standing(RecordFolder(loaded.record), options.entry)
    except EntryError as wrong:
        raise called_wrongly(str(wrong)) from None
    print(fitted(f"{named.said(site.zone)}: {said_of(named.content, site)}"))
    asking = Asking(options.because)
    because = asking.need(options.because, "--because", "why it is taken back")
    to = str(named.content["to"]) if named.entry.kind == "moved" and "to" in named.content else None
    content = content_of(lambda: withdrawn_content(named.entry.kind, because, to))
    point = named.points[0] if named.points else None
    about = Statement("withdraw", point, about_ms(named.entry), author(options), content, named.entry.uuid)
    return entered(loaded, site, about, asking)
