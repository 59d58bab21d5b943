"""List what people stated: of one point or of all, in the order of the times that it is about.

What was replaced by a later entry or withdrawn is left out, or with --all shown with what replaced it and why.
"""

import argparse

TYPE_CHECKING = False  # as in typing, whose import the help would wait for
if TYPE_CHECKING:
    from collections.abc import Sequence

    from tallywell.readings.facts import Entry
    from tallywell.service.site import Site
    from tallywell.stated.content import Content

SUMMARY = "what people stated, and what was replaced or withdrawn"


def arguments(parser: argparse.ArgumentParser) -> None:
    from tallywell.commandline.site import site_argument

    site_argument(parser)
    parser.add_argument("point", metavar="POINT", nargs="?", help="the point (default: all)")
    parser.add_argument("--all", action="store_true", help="also what was replaced or withdrawn")


def run(options: argparse.Namespace) -> int:
    from tallywell.commandline.site import point_named, sound_site
    from tallywell.stated.content import about_ms
    from tallywell.store.database import RecordFolder
    from tallywell.store.query import Reader

    loaded, site = sound_site(options.site)
    if options.point:
        point_named(site, options.point)
    if not RecordFolder(loaded.record).db.exists():
        print("the record holds no entries yet")
        return 0
    with Reader(RecordFolder(loaded.record)) as reader:
        names = reader.points()
        entries = sorted(reader.entries(), key=lambda one: (about_ms(one), one.seq))
    shown = [one for one in entries if options.point in (None, names.get(one.point or 0))]
    lines = _lines(shown, entries, names, site, everything=options.all)
    print("\n".join(lines) or "the record holds no entries yet")
    return 0


def _lines(
    shown: "Sequence[Entry]", entries: "Sequence[Entry]", names: dict[int, str], site: "Site", *, everything: bool
) -> list[str]:
    from tallywell.stated.content import replaced_by

    by = replaced_by(entries)
    lines: list[str] = []
    for one in shown:
        later = by.get(one.uuid)
        if later is None or everything:
            lines += _told(one, names, site, later)
    return lines


def _told(one: "Entry", names: dict[int, str], site: "Site", later: "Entry | None") -> list[str]:
    from tallywell.commandline.kept_words import said_of
    from tallywell.reports.table import wrapped
    from tallywell.service.local_time import shown
    from tallywell.stated.content import about_ms
    from tallywell.stated.withdrawn import WITHDRAW

    content = _content(one)
    point = names.get(one.point or 0, "")
    head = "  ".join(filter(None, (shown(about_ms(one), site.zone), one.kind, point, f"by {one.author}")))
    said, more = said_of(content, site), []
    if one.kind == WITHDRAW and one.replaces:
        said = f"takes back {content.get('withdrawn')} {one.replaces[:8]}: {content.get('because')}"
    elif one.replaces:
        more.append(f"corrects {one.replaces[:8]}: {content.get('replaced_because', 'no reason kept')}")
    if later is not None:
        more.append(f"{'WITHDRAWN' if later.kind == WITHDRAW else 'REPLACED'} by {later.uuid[:8]}")
    below = [line for each in (said, *more) for line in wrapped(each, 90)]
    return [f"{one.uuid[:8]}  {head}", *(f"          {line}" for line in below)]


def _content(one: "Entry") -> "Content":
    from tallywell.stated.content import EntryError, Kept

    try:
        return Kept.of(one).content
    except EntryError as wrong:
        return {"fault": str(wrong)}
