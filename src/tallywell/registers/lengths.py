"""How many words a quantity has, where its type does not say it."""

from tallywell.registers.map_forms import TypeWritten
from tallywell.registers.quantity import ValueType
from tallywell.written.forms import label_of
from tallywell.written.located import Document, Path

_RANGES = {ValueType.BCD: (1, 4), ValueType.MODULO_10000: (2, 4), ValueType.TEXT: (1, 125)}


def words_of(document: Document, path: Path, written: TypeWritten, stated: int | None) -> int:
    """0 where it cannot be told, which is noted. `stated`: what the key `words` says."""
    at, kind = (*path, "words"), written.value_type
    if kind.has_fixed_words:
        if stated is not None:
            what = f"{label_of(at)} has no meaning for {written}, which has {kind.words}"
            document.complain(at, what, "remove it, or correct the type")
        return kind.words
    least, most = _RANGES[kind]
    if document.at(at) is None:
        do = f'add "words: {2 if kind.is_decimal else 8}" ({least} to {most})'
        document.complain(path, f'{label_of(path)} needs "words" ({kind} does not say how many)', do, got="", key=True)
        return 0
    if stated is not None and not least <= stated <= most:
        document.complain(at, f"{label_of(at)} must be from {least} to {most} for {kind}")
        return 0
    return stated or 0
