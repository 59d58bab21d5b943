"""Show how two register maps differ by what they mean, however they are laid out, and what that does to volumes.

Of each quantity that both have: the key, what it says in BEFORE, what it says in AFTER. Exit 0 when both mean the same
(names and revisions apart), 1 when they differ or one is at fault.
"""

import argparse

TYPE_CHECKING = False  # as in typing, whose import the help would wait for
if TYPE_CHECKING:
    from tallywell.registers.map_diff import Change, Differences
    from tallywell.registers.quantity import Quantity, RegisterMap

SUMMARY = "how two maps differ in what they mean, and what that does to volumes"
WIDTH = 100


def arguments(parser: argparse.ArgumentParser) -> None:
    from tallywell.commandline.site import map_argument

    map_argument(parser, "before")
    map_argument(parser, "after")


def run(options: argparse.Namespace) -> int:
    from tallywell.commandline.map_file import sound_map
    from tallywell.registers.map_diff import differences

    _, before = sound_map(options.before)
    _, after = sound_map(options.after)
    found = differences(before, after)
    print(f"{_named(before)} -> {_named(after)}")
    if found.none:
        print("both mean the same")
        return 0
    print("\n".join(_lines(found)))
    return 1


def _named(found: "RegisterMap") -> str:
    return f"{found.name} ({found.revision})"


def _lines(found: "Differences") -> list[str]:
    from tallywell.reports.table import pairs, wrapped

    lines = []
    for kind, quantities in (("removed", found.removed), ("added", found.added)):
        for quantity in quantities:
            first, *rest = wrapped(f"{kind}: {_quantity(quantity)}", WIDTH - 4)
            lines += [f"  {first}", *(f"    {line}" for line in rest)]
    lines += [f"  renamed: {old} -> {new}" for old, new in found.renamed]
    for of in dict.fromkeys(change.of for change in found.changed):
        lines.append(f"  {of or 'the map'}:")
        lines += pairs([(change.key, _change(change)) for change in found.changed if change.of == of], WIDTH, 4)
    if not found.volumes:
        return [*lines, "", "Volumes do not change by it."]
    lines += ["", "What it does to volumes:"]
    for sentence in found.volumes:
        first, *rest = wrapped(f"{sentence}.", WIDTH - 4)
        lines += [f"  - {first}", *(f"    {line}" for line in rest)]
    return [*lines, *wrapped(_ON_RECORD, WIDTH)]


_ON_RECORD = (
    "Readings that are on record stay as they are: each is read by the map that was in force when it was taken, and "
    "its raw words are kept."
)


def _quantity(quantity: "Quantity") -> str:
    from tallywell.registers.described import quantity_described

    said = quantity_described(quantity)
    means = said.get("one_count") or said.get("unit") or said.get("bits") or said.get("enumeration") or ""
    return f"{quantity.name} ({quantity.table} {quantity.register}, {said['type']}{', ' + means if means else ''})"


def _change(change: "Change") -> str:
    return f"{change.before} -> {change.after}"
