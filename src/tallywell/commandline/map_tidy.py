"""Print a register map in the order and layout that all maps share; with --write, put it in the file's place.

Keys come in one order, quantities by table and register, each on one line where 120 columns hold it; comments stay with
what they stand at. The result is looked at before it is used: it must mean the same and hold every comment.
"""

import argparse
import sys

TYPE_CHECKING = False  # as in typing, whose import the help would wait for
if TYPE_CHECKING:
    from pathlib import Path

SUMMARY = "a map in one order and layout, every comment kept"


def arguments(parser: argparse.ArgumentParser) -> None:
    from tallywell.commandline.site import map_argument

    map_argument(parser)
    parser.add_argument("--write", action="store_true", help="rewrite the file (default: print)")


def run(options: argparse.Namespace) -> int:
    from tallywell.commandline.map_file import sound_map

    loaded, found = sound_map(options.map)
    from tallywell.registers.tidy import keeps_comments, tidy

    text = tidy(loaded.text, found)
    if not keeps_comments(loaded.text, text) or not _means_the_same(options.map, text):
        print(f"{options.map}: the tidy text would not say the same; this is a fault of the program", file=sys.stderr)
        return 1
    if not options.write:
        print(text, end="")
    elif text == loaded.text:
        print(f"{options.map} is tidy")
    else:
        _replace(options.map, text)
        print(f"{options.map} is tidy now")
    return 0


def _means_the_same(path: "Path", text: str) -> bool:
    from tallywell.service.files import load_map

    before = load_map(path)
    return load_map(path, text).map == before.map


def _replace(path: "Path", text: str) -> None:
    """Whole or not at all: a second file beside it takes its place and its rights."""
    import os
    import shutil
    import tempfile
    from pathlib import Path

    from tallywell.readings.problems import EdgeFailure

    place = path.resolve()
    try:
        with tempfile.NamedTemporaryFile("w", encoding="utf-8", newline="\n", dir=place.parent, delete=False) as file:
            file.write(text)
            file.flush()
            os.fsync(file.fileno())
        shutil.copymode(place, file.name)
        Path(file.name).replace(place)
    except OSError as error:
        why = (error.strerror or str(error)).lower()
        raise EdgeFailure(f"{path} cannot be rewritten: {why}", hint="look at who may write in its folder") from error
