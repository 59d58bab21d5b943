"""Edge: a site file and its maps, or one map, from the disk."""

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path

from tallywell.line.links import Links
from tallywell.readings.problems import Problem
from tallywell.registers.based_on import self_contained
from tallywell.registers.quantity import RegisterMap
from tallywell.registers.register_map import parse_map
from tallywell.service.site import Site
from tallywell.service.site_file import parse_site
from tallywell.written.fields import nearest
from tallywell.written.located import MOST_CHARACTERS

MOST_BYTES = 4 * MOST_CHARACTERS  # UTF-8 takes at most four for a character (RFC 3629, 3)


@dataclass(frozen=True, slots=True)
class Loaded:
    """A site file as found. `maps`: map texts by name as written in the site file, each as the record keeps it (that of
    a variant holds its base's). `record`: the record's folder.

    `site` is None when something is at fault; `text` is "" when the file itself could not be read.
    """

    path: Path
    site: Site | None
    problems: tuple[Problem, ...]
    text: str
    maps: Mapping[str, str] = field(hash=False)
    record: Path


@dataclass(frozen=True, slots=True)
class LoadedMap:
    """A register map as found. `kept`: as the record would keep it; `bases`: name and text of what it is based on.

    `map` is None when something is at fault; `text` is "" when the file itself could not be read.
    """

    path: Path
    map: RegisterMap | None
    problems: tuple[Problem, ...]
    text: str = ""
    kept: str = ""
    bases: tuple[tuple[str, str], ...] = ()


class MapNotRead(OSError):
    """A map that is not there or cannot be read. `hint` says what to do, `near` names a file beside it."""

    def __init__(self, why: str, hint: str = "", near: str = "") -> None:
        super().__init__(why)
        self.strerror = why
        self.hint = hint
        self.near = near


def load_site(path: Path) -> Loaded:
    """Read a site file and the maps it names. Never raises for what is on the disk: each fault is a Problem."""
    beside = path.with_name(f"{path.stem}.record") if path.name else path / "site.record"
    try:
        text = _text(path)
    except UnicodeDecodeError as error:
        do = "save it as UTF-8"
        return Loaded(path, None, (Problem(str(path), 1, 1, f"byte {error.start} is no UTF-8", do),), "", {}, beside)
    except (OSError, ValueError) as error:
        return Loaded(path, None, (_not_read(path, error),), "", {}, beside)
    texts: dict[str, str] = {}
    site, problems = parse_site(
        text, str(path), lambda name: _map_text(path, name, texts), better_name=Links().better_name
    )
    record = path.parent / site.record if site is not None and site.record else beside
    named = tuple(_with_path(problem, path, texts) for problem in problems)
    return Loaded(path, site, named, text, texts if site is None else _kept(site, texts), record)


def load_map(path: Path, instead: str | None = None) -> LoadedMap:
    """Read one map and its base. Never raises for what is on the disk: each fault is a Problem.

    `instead`: a text to be read in place of the file's.
    """
    texts: dict[str, str] = {}
    try:
        text = _text(path) if instead is None else instead
    except UnicodeDecodeError as error:
        return LoadedMap(path, None, (Problem(str(path), 1, 1, f"byte {error.start} is no UTF-8", "save it as UTF-8"),))
    except (OSError, ValueError) as error:
        return LoadedMap(path, None, (_not_read(path, error, "a register map"),))
    found, problems = parse_map(text, str(path), lambda name: _map_text(Path(), name, texts))
    kept = "" if found is None else self_contained(text, str(path), texts.__getitem__)
    return LoadedMap(path, found, problems, text, kept, tuple(texts.items()))


def _kept(site: Site, texts: Mapping[str, str]) -> dict[str, str]:
    """What the record keeps: the texts as they were read just now, never a second look at the disk."""
    names = dict.fromkeys(point.map_name for point in site.points.values())
    return {name: self_contained(texts[name], name, texts.__getitem__) for name in names}


def _text(path: Path) -> str:
    """The text, a byte order mark left out. More bytes than any file of ours has are not read to the end."""
    with path.open("rb") as file:
        return file.read(MOST_BYTES + 1).decode("utf-8-sig")


def _not_read(path: Path, error: Exception, what: str = "a site file") -> Problem:
    why, bare = _why(error), what.partition(" ")[2]
    if isinstance(error, IsADirectoryError):
        there = sorted(found.name for found in path.glob("*.yaml"))[:5]
        do = f"name the {bare} in it{', such as ' + there[0] if there else ''}"
        return Problem(str(path), 1, 1, f"this is a folder, not {what}", do)
    near = _near(path)
    do = f'did you mean "{near}"?' if near else "look at the path, and at who may read the file"
    return Problem(str(path), 1, 1, f"the {bare} cannot be read: {why}", do)


def _why(error: Exception) -> str:
    return (getattr(error, "strerror", None) or str(error)).lower()


def _map_text(site_path: Path, name: str, maps: dict[str, str]) -> str:
    """A map's text, noted in `maps` under its name as written."""
    path = site_path.parent / name
    try:
        maps[name] = _text(path)
    except UnicodeDecodeError:
        raise
    except (OSError, ValueError) as error:
        near = _near(path)
        hint = f'did you mean "{Path(name).parent / near}"?' if near and Path(name).name else ""
        raise MapNotRead(_why(error), hint, near or "") from None
    return maps[name]


def _near(path: Path) -> str | None:
    """A file of this name one folder below, or one in the same folder whose name is nearly this."""
    try:
        names = [found.name for found in path.parent.iterdir() if found.is_file()]
        below = [found for found in path.parent.glob("*/*.yaml") if found.name == path.name and found.is_file()]
    except (OSError, ValueError):
        return None
    if below:
        return str(min(below).relative_to(path.parent))
    return nearest(path.name, [name for name in names if name != path.name])


def _with_path(problem: Problem, site_path: Path, maps: Mapping[str, str]) -> Problem:
    """A map's problem names the map as written; a person at a terminal needs the path from where they are."""
    if problem.file in maps and problem.file != str(site_path):
        return replace(problem, file=str(site_path.parent / problem.file))
    return problem
