"""What the commands about maps begin with: a map from its file, its numbering, its registers as it writes them."""

import sys
from pathlib import Path

from tallywell.commandline.calls import placed
from tallywell.registers.based_on import map_document
from tallywell.registers.numbering import Numbering, as_written
from tallywell.registers.quantity import RegisterMap, Table
from tallywell.service.files import LoadedMap, load_map
from tallywell.written.located import Document


def sound_map(path: Path) -> tuple[LoadedMap, RegisterMap]:
    """The map, read; where it or its base is at fault, the faults are shown and the command ends with 1."""
    loaded = load_map(path)
    if loaded.map is None:
        for problem in loaded.problems:
            print(placed(problem, sys.stderr), file=sys.stderr)
        raise SystemExit(1)
    return loaded, loaded.map


def whole(loaded: LoadedMap) -> Document:
    """The map as written, its base included."""
    return map_document(loaded.kept, str(loaded.path))


def numbering_of(document: Document) -> Numbering:
    return Numbering(str(document.at(("numbering",))))


class Written:
    """Registers as the map at hand would write them."""

    def __init__(self, loaded: LoadedMap) -> None:
        self.document = whole(loaded)
        self.numbering = numbering_of(self.document)
        numbers = [str(self.document.at(("quantities", name, "register"))) for name in self._names()]
        self.six_digits = any(len(number) == 6 and number.isdecimal() for number in numbers)

    def _names(self) -> list[str]:
        return list(self.document.group(("quantities",)))

    def register(self, register: int, table: Table) -> int:
        return as_written(register, self.numbering, table, six_digits=self.six_digits)
