"""A map that is based on another: the base's text and the differences -> one document, each value with its own place.

One level only. Groups of keys are merged key by key at any depth; values and lists replace those of the base. So that
the record can be read again without any file, a variant is kept as one self-contained text.
"""

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, replace
from hashlib import sha256

from pydantic_core import PydanticCustomError

from tallywell.written import fields
from tallywell.written.located import (
    MOST_CHARACTERS,
    MOST_VALUES,
    Document,
    Path,
    Place,
    Plain,
    quoted,
    read_document,
)
from tallywell.written.yaml_text import flow, scalar

ReadText = Callable[[str], str]
OF_ITS_OWN = ("map", "revision", "based_on", "without")  # never taken from the base
_STAYS = (*OF_ITS_OWN, "numbering", "quantities")  # cannot be left out by `without`
MOST_NAMES = 200  # in `without`: no meter has so many quantities, and each may be compared with all others
_OF_A_SITE = ("site", "lines", "wells", "points")


@dataclass(frozen=True, slots=True)
class Based:
    """A map's document, whole. `base_file` and `base` (its text): "" where it is based on none."""

    document: Document
    base_file: str = ""
    base: str = ""


def map_document(text: str, file: str, read: ReadText | None = None) -> Document:
    """A map's text as one document, its base included; nothing is in `plain` where it cannot be judged as a map.

    `read` gives the base's text by its name, seen from where `file` is named from; it may raise OSError, ValueError or
    LookupError. The base's places carry its file.
    """
    return _based(text, file, read).document


def self_contained(text: str, file: str, read: ReadText | None = None) -> str:
    """What the record keeps of a map without faults: the text itself; of a variant one text made of both.

    The same two texts and file names give the same text always. It parses to the equal map.
    """
    found = _based(text, file, read)
    if not found.base_file or not isinstance(found.document.plain, dict):
        return text
    return _one_text(found.document.plain, (file, text), (found.base_file, found.base))


def beside(file: str, name: str) -> str:
    """A name that is written in a file, as seen from where the file itself is named from."""
    while name.startswith("./"):
        name = name[2:].lstrip("/")
    folder, slash, _ = file.rpartition("/")
    return name if name.startswith("/") else f"{folder}{slash}{name}"


def _based(text: str, file: str, read: ReadText | None) -> Based:
    document = read_document(text, file)
    plain = document.plain
    if not isinstance(plain, dict):
        return Based(document)
    if _is_site(plain):
        do = "name one of the maps that its points name, or use it as SITE with a command that takes one"
        return Based(_stopped(document, (), "this is a site file, where a register map is wanted", do, got=""))
    if "based_on" not in plain:
        if "without" in plain:
            what = "without has no meaning in a map that is based on no other"
            document.complain(("without",), what, 'remove it, or add "based_on: ...", the map it is a variant of')
            del plain["without"]
        return Based(document)
    return _with_base(document, text, read)


def _is_site(plain: Mapping[str, Plain]) -> bool:
    return "quantities" not in plain and sum(key in plain for key in _OF_A_SITE) >= 2


def _with_base(document: Document, text: str, read: ReadText | None) -> Based:
    found = _base(document, read)
    if found is None:
        document.plain = None
        return Based(document)
    base, base_text = found
    assert isinstance(document.plain, dict)
    assert isinstance(base.plain, dict)
    _judge_numbering(document, base)
    _judge_strangers(document, base)
    left_out = _left_out(document, base)
    merged = _merged(document, base, left_out)
    longest = len(_one_text(merged.group(()), (document.file, text), (base.file, base_text)))
    if longest > MOST_CHARACTERS or len(merged.values) > MOST_VALUES:
        what = "the map and its base are too long together"
        return Based(_stopped(merged, ("based_on",), what, "look whether this is the right file", got=""))
    return Based(merged, base.file, base_text)


def _base(document: Document, read: ReadText | None) -> tuple[Document, str] | None:
    """The base, read, and its text; None where there is none that can be used, which is a problem by then."""
    path: Path = ("based_on",)
    try:
        name = fields.label(document.at(path))
    except PydanticCustomError as error:
        said = error.context or {}
        document.complain(path, f"based_on {said.get('what', '')}", said.get("do", ""))
        return None
    file = beside(document.file, name)
    if file == beside(document.file, document.file.rpartition("/")[2]):
        document.complain(path, "based_on names this map itself", "name the map that this one is a variant of")
        return None
    text = _text_of_base(document, name, file, read)
    if text is None:
        return None
    base = read_document(text, file)
    _judge_base(base)
    document.problems += base.problems
    return None if base.plain is None or not isinstance(base.plain, dict) else (base, text)


def _text_of_base(document: Document, name: str, file: str, read: ReadText | None) -> str | None:
    path: Path = ("based_on",)
    if read is None:
        document.complain(path, "based_on cannot be followed from here", "give the map with its base's text")
        return None
    try:
        return read(file)
    except UnicodeDecodeError:
        document.complain(path, "based_on is no UTF-8 text", "save it as UTF-8, or name another file")
    except (OSError, LookupError, ValueError) as error:
        why = getattr(error, "strerror", None) or "there is none of this name"
        near = getattr(error, "near", "")
        do = "write the base's path from this map's folder"
        if near:
            folder, slash, _ = name.rpartition("/")
            do = f'did you mean "{folder}{slash}{near}"?'
        document.complain(path, f"based_on cannot be read: {str(why).lower()}", do)
    return None


def _judge_base(base: Document) -> None:
    """What makes a text unusable as a base; what it says is judged with the differences put in."""
    if base.plain is None and base.faulty:
        return
    if not isinstance(base.plain, dict):
        _stopped(base, (), "a base must be a register map", "name another file in based_on, or write the map")
    elif _is_site(base.plain):
        _stopped(base, (), "this is a site file, where a base map is wanted", "name another file in based_on", got="")
    elif "based_on" in base.plain:
        do = "write here what it takes from there, or base both variants on the same map"
        _stopped(base, ("based_on",), "a map that others are based on has no base itself", do)
    elif "without" in base.plain:
        base.complain(("without",), "without has no meaning in a map that is based on no other", "remove it")


def _judge_numbering(document: Document, base: Document) -> None:
    """It says how the numbers in its own file are counted, and those of the base stand in another."""
    own, other = (each.group(()).get("numbering") for each in (document, base))
    if own is not None and isinstance(other, str) and own != other:
        what = f"numbering is another than that of the base, {other}, and would move all its registers"
        document.complain(("numbering",), what, "remove it, and count as the base does")


def _judge_strangers(document: Document, base: Document) -> None:
    """What changes a quantity that the base does not have is a slip in its name; one of its own says where it stands.

    Nothing more is said of it.
    """
    own, known = document.at(("quantities",)), base.group(("quantities",))
    if not isinstance(own, dict):
        return
    for name, keys in list(own.items()):
        if name in known or not isinstance(keys, dict) or not keys or "register" in keys or "type" in keys:
            continue
        what = f"the base has no quantity {quoted(name)}, and a new one needs register and type"
        near = fields.nearest(name, list(known)[:MOST_NAMES])
        document.complain(
            ("quantities", name), what, fields.suggestion(name, [near] if near else known), got="", key=True
        )
        del own[name]


def _stopped(document: Document, path: Path, what: str, do: str, *, got: str | None = None) -> Document:
    """With this problem nothing else can be judged."""
    document.complain(path, what, do, got=got)
    document.plain = None
    return document


# --- leaving out


def _left_out(document: Document, base: Document) -> frozenset[Path]:
    """The places of the base that `without` names, each a quantity or with dots a key of one (forward_total.digits)."""
    path: Path = ("without",)
    written = document.at(path)
    if "without" not in document.group(()):
        return frozenset()
    if not isinstance(written, list) or len(written) > MOST_NAMES:
        what = f"without must be a list of at most {MOST_NAMES} of the base's quantities"
        document.complain(path, what, "such as [net_total]")
        return frozenset()
    known: dict[str, Path] = {}
    for name, place in _can_go(base):
        known.setdefault(name, place)
    found = (_one_left_out(document, (*path, k), known) for k in range(len(written)))
    return frozenset(place for place in found if place is not None)


def _one_left_out(document: Document, at: Path, known: Mapping[str, Path]) -> Path | None:
    try:
        name = fields.label(document.at(at))
    except PydanticCustomError as error:
        document.complain(at, f"without: a name {(error.context or {}).get('what', '')}", "name a quantity of the base")
        return None
    place = known.get(name)
    if place is None:
        what = f"without: the base has no {quoted(name)}"
        near = fields.nearest(name, list(known)[:MOST_NAMES])
        names = [other for other, there in known.items() if there == ("quantities", other)]
        document.complain(at, what, fields.suggestion(name, [near] if near else names), got="")
        return None
    if _writes(document, place):
        where = document.place(place, key=True)
        what = f"without: {quoted(name)} is written here as well (line {where.line}, column {where.column})"
        document.complain(at, what, "keep one: what is written here changes or replaces that of the base", got="")
        return None
    return place


def _writes(document: Document, place: Path) -> bool:
    group, key = document.at(place[:-1]), place[-1]
    return isinstance(group, dict) and key in group


def _can_go(base: Document) -> Iterator[tuple[str, Path]]:
    """What a variant may leave out, by its name: the quantities first, which is what is meant most."""
    quantities = base.group(("quantities",))
    for name in quantities:
        yield name, ("quantities", name)
    for name in quantities:
        yield from _inside(base, f"{name}.", ("quantities", name))
    for key in base.group(()):
        if key not in _STAYS:
            yield key, (key,)
            yield from _inside(base, f"{key}.", (key,))


def _inside(base: Document, before: str, path: Path) -> Iterator[tuple[str, Path]]:
    for key in base.group(path):
        yield before + key, (*path, key)
        yield from _inside(base, f"{before}{key}.", (*path, key))


# --- merging


def _merged(document: Document, base: Document, left_out: frozenset[Path]) -> Document:
    """Both as one document: what stands in both is the variant's, in the base's order."""
    assert isinstance(document.plain, dict)
    assert isinstance(base.plain, dict)
    own = {key: value for key, value in document.plain.items() if key not in ("based_on", "without")}
    kept = _without((), {key: value for key, value in base.plain.items() if key not in OF_ITS_OWN}, left_out)
    assert isinstance(kept, dict)
    plain: dict[str, Plain] = {key: own.pop(key) for key in ("map", "revision") if key in own}
    plain |= _joined(kept, own)
    of_base = _Places(base, document, left_out)
    keys = of_base.kept(base.keys) | document.keys
    values = of_base.kept(base.values) | document.values
    return Document(document.file, plain, keys, values, document.problems)


def _without(path: Path, value: Plain, left_out: frozenset[Path]) -> Plain:
    if not isinstance(value, dict):
        return value
    places = {key: (*path, key) for key in value}
    return {key: _without(places[key], value[key], left_out) for key in value if places[key] not in left_out}


def _joined(base: Mapping[str, Plain], own: Mapping[str, Plain]) -> dict[str, Plain]:
    out = dict(base)
    for key, value in own.items():
        there = out.get(key)
        out[key] = _joined(there, value) if isinstance(there, dict) and isinstance(value, dict) else value
    return out


@dataclass(frozen=True, slots=True)
class _Places:
    """Which places of the base still hold: those that the variant neither leaves out nor replaces."""

    base: Document
    document: Document
    left_out: frozenset[Path]

    def kept(self, places: Mapping[Path, Place]) -> dict[Path, Place]:
        return {path: replace(place, file=self.base.file) for path, place in places.items() if self._holds(path)}

    def _holds(self, path: Path) -> bool:
        if path and path[0] in OF_ITS_OWN:
            return False
        if any(path[:length] in self.left_out for length in range(1, len(path) + 1)):
            return False
        return not any(self._replaced(path[:length]) for length in range(1, len(path)))

    def _replaced(self, group: Path) -> bool:
        """Whether the variant puts something there that is not merged key by key."""
        both_groups = isinstance(self.document.at(group), dict) and isinstance(self.base.at(group), dict)
        return _writes(self.document, group) and not both_groups


# --- one text


def _one_text(plain: Mapping[str, Plain], variant: tuple[str, str], base: tuple[str, str]) -> str:
    head = f"# Made of {_named(*variant)}, which is based on {_named(*base)}."
    return "\n".join([head, *(_top(key, value) for key, value in plain.items())]) + "\n"


def _named(file: str, text: str) -> str:
    name = scalar(file.rpartition("/")[2])
    return f"{name} (sha256 {sha256(text.encode('utf-8', 'surrogatepass')).hexdigest()})"


def _top(key: str, value: Plain) -> str:
    if key != "quantities" or not isinstance(value, dict) or not value:
        return f"{scalar(key)}: {flow(value)}"
    return "\n".join(["quantities:", *(f"  {scalar(name)}: {flow(inner)}" for name, inner in value.items())])
