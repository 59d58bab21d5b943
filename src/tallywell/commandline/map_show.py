"""Show what a register map says, in full and with defaults applied, and by which reads a meter of it is polled.

Of each quantity: where it is on the wire and as the map writes it, how its words make it, and under the map's own keys
what it means. A map that is based on another shows what it changes there.
"""

import argparse
import sys

TYPE_CHECKING = False  # as in typing, whose import the help would wait for
if TYPE_CHECKING:
    from collections.abc import Iterator

    from tallywell.commandline.map_file import Written
    from tallywell.readings.exchange import Read
    from tallywell.registers.quantity import Quantity, RegisterMap, Rhythm
    from tallywell.service.files import LoadedMap
    from tallywell.written.located import Document, Path, Plain

SUMMARY = "what a map says in full, defaults applied, and how it is read"
WIDTH = 100


def arguments(parser: argparse.ArgumentParser) -> None:
    from tallywell.commandline.site import map_argument

    map_argument(parser)


def run(options: argparse.Namespace) -> int:
    from tallywell.commandline.calls import placed
    from tallywell.commandline.map_file import Written, sound_map

    loaded, found = sound_map(options.map)
    for problem in loaded.problems:
        print(placed(problem, sys.stdout))
    written = Written(loaded)
    print("\n".join([_head(loaded, found, written), *_sections(loaded, found, written)]))
    return 0


def _head(loaded: "LoadedMap", found: "RegisterMap", written: "Written") -> str:
    based = f", based on {loaded.bases[0][0]}" if loaded.bases else ""
    return f"{found.name} ({found.revision}): {loaded.path}{based}; numbering {written.numbering}"


def _sections(loaded: "LoadedMap", found: "RegisterMap", written: "Written") -> "Iterator[str]":
    from tallywell.registers.described import besides_described, limits_described
    from tallywell.reports.table import pairs

    yield from ("", "Where it is read", *_places(found, written))
    yield from ("", "What it means", *pairs([(q.name, _meaning(q)) for q in found.quantities.values()], WIDTH))
    yield from ("", "By which reads, registers as on the wire", *_reads(found))
    yield from (
        "",
        "What the meter can take, registers as on the wire",
        *pairs(list(limits_described(found.limits).items()), WIDTH),
    )
    besides = list(besides_described(found).items())
    if besides:
        yield from ("", "What holds for several registers, as on the wire", *pairs(besides, WIDTH))
    if loaded.bases:
        yield from ("", f"What is changed of {loaded.bases[0][0]}", *pairs(_of_base(loaded), WIDTH))


def _places(found: "RegisterMap", written: "Written") -> list[str]:
    from tallywell.registers.described import low_order_text, order_text, type_text
    from tallywell.reports.table import Column, table

    columns = [
        Column("quantity"), Column("table"), Column("on the wire", right=True), Column("as written", right=True),
        Column("type"), Column("words", right=True), Column("order"),
    ]  # fmt: skip
    rows = []
    for quantity in found.quantities.values():
        path: Path = ("quantities", quantity.name)
        place = (str(quantity.table), str(quantity.register), str(written.document.at((*path, "register"))))
        rows.append((quantity.name, *place, type_text(quantity), _length(quantity), order_text(quantity)))
        low = quantity.low_part
        if low is not None:
            at = str(written.document.at((*path, "low_part", "register")))
            place = (str(quantity.table), str(low.register), at)
            rows.append(("  its low part", *place, str(low.type), str(low.words), low_order_text(quantity)))
    return table(columns, rows)


def _length(quantity: "Quantity") -> str:
    return (
        f"{quantity.words} bit{'' if quantity.words == 1 else 's'}" if quantity.table.is_bits else str(quantity.words)
    )


_SHOWN_ABOVE = ("table", "register", "type", "words", "order")


def _meaning(quantity: "Quantity") -> str:
    from tallywell.registers.described import quantity_described

    said = quantity_described(quantity)
    return "; ".join(f"{key}: {text}" for key, text in said.items() if key not in _SHOWN_ABOVE)


def _reads(found: "RegisterMap") -> list[str]:
    from tallywell.registers.blocks import chosen, plain_reads, read_sets
    from tallywell.registers.described import in_two_text
    from tallywell.reports.table import Column, table, wrapped

    columns = [Column("when"), Column("reads"), Column("quantity by quantity", right=True)]
    rows = []
    for each in read_sets(found, 0):
        plan = chosen(found, each.names).reads
        plain = len(plain_reads(found, each.names))
        for number, read in enumerate(plan):
            first = number == 0
            besides = f"{plain} read{'' if plain == 1 else 's'}" if first else ""
            again = ", again" if read in plan[:number] else ""
            rows.append((_when(each.rhythm) if first else "", _read(read) + again, besides))
    in_two = in_two_text(found, [chosen(found, each.names).reads for each in read_sets(found, 0)])
    return [*table(columns, rows), *(f"  {line}" for line in wrapped(in_two, WIDTH - 2))]


def _when(rhythm: "Rhythm") -> str:
    from tallywell.registers.described import duration
    from tallywell.registers.quantity import EACH_POLL

    if rhythm == EACH_POLL:
        return "each poll"
    every = "at the start" if rhythm.every_ns is None else f"every {duration(rhythm.every_ns)}"
    return f"{every}, and after silence" if rhythm.after_silence else every


def _read(read: "Read") -> str:
    from tallywell.readings.exchange import BIT_FUNCTIONS
    from tallywell.registers.described import reads_text

    unit = "bit" if read.function in BIT_FUNCTIONS else "word"
    return f"{reads_text((read,))} ({read.words} {unit}{'' if read.words == 1 else 's'})"


def _of_base(loaded: "LoadedMap") -> list[tuple[str, str]]:
    """What the variant writes, beside what the base has there."""
    from tallywell.written.located import read_document
    from tallywell.written.yaml_text import flow

    own = read_document(loaded.text, str(loaded.path))
    base = read_document(loaded.bases[0][1], loaded.bases[0][0])
    rows = []
    left_out = own.at(("without",))
    if isinstance(left_out, list) and left_out:
        rows.append(("left out", ", ".join(map(str, left_out))))
    for path, value in _written_here(own.plain, (), base):
        before = base.at(path)
        name = ".".join(map(str, path[1:] if path[0] == "quantities" else path))
        rows.append((name, f"{flow(value)}, added" if before is None else f"{flow(before)} -> {flow(value)}"))
    return rows


def _written_here(value: "Plain", path: "Path", base: "Document") -> "Iterator[tuple[Path, Plain]]":
    """The places at which the variant changes or adds something: as deep as the base has groups, too."""
    if isinstance(value, dict) and isinstance(base.at(path), dict):
        for key, inner in value.items():
            if path or key not in ("map", "revision", "based_on", "without"):
                yield from _written_here(inner, (*path, key), base)
    else:
        yield path, value
