"""The content of an entry in words, for whoever lists entries or is about to make one."""

import re
from collections.abc import Mapping
from fractions import Fraction

from tallywell.reports.dates import duration
from tallywell.reports.decimals import plain
from tallywell.reports.face import Face, face_count
from tallywell.reports.shown_units import WORDS
from tallywell.reports.table import WIDTH, pairs
from tallywell.service.entering import Statement
from tallywell.service.local_time import shown
from tallywell.service.site import Site
from tallywell.stated.content import Content
from tallywell.stated.notes import error_in_words

_INSTANTS = {"begin_ms": "from", "end_ms": "to", "it_is_ms": "it is", "of_begin_ms": "of", "of_end_ms": "until"}
_FRACTION = re.compile(r"-?\d+/[1-9]\d*\Z")
_NAMES = {"replaced_because": "since", "withdrawn": "takes back"}
_SAID_APART = frozenset({"typed", "boot_id", "boot_ms"})
_OF_A_LIST = _SAID_APART | {"note", "replaced_because"}


def named(name: str, value: object, site: Site) -> tuple[str, str]:
    """One part of a content: its name and what it says, in words."""
    if name in _INSTANTS and type(value) is int:
        return _INSTANTS[name], shown(value, site.zone)
    if name == "error" and isinstance(value, str) and _FRACTION.match(value):
        return "error", error_in_words(Fraction(value))
    if name == "within_ms" and type(value) is int:
        return "within", duration(value)
    if isinstance(value, dict):
        return _name(name), ", ".join(f"{_name(each)} {one}" for each, one in value.items())
    return _name(name), value if isinstance(value, str) else "yes" if value is True else str(value)


def _name(name: str) -> str:
    return _NAMES.get(name, name.replace("_", " "))


def said_of(content: Content, site: Site) -> str:
    """All of it on one line, but for why it replaced another."""
    parts = [named(name, value, site) for name, value in content_shown(content).items() if name not in _OF_A_LIST]
    note = f"; {content['note']}" if content.get("note") else ""
    return ", ".join(f"{name} {said}" for name, said in parts) + note


def kept_lines(statement: Statement, site: Site, faces: Mapping[str, Face]) -> list[str]:
    """A statement as it will be entered; counts of `faces`, by their names in the content, with their volumes."""
    assert statement.about_ms is not None
    rows = [("what", statement.kind), ("at", statement.point or "the whole site")]
    rows += [("when", shown(statement.about_ms, site.zone))]
    for name, value in statement.content.items():
        if value in (None, "", False) or name in _SAID_APART:
            continue
        what, said = named(name, value, site)
        rows.append((what, f"{said}, which is {volume_of(faces[name], said)}" if name in faces else said))
    rows += [("corrects", statement.replaces[:8])] if statement.replaces else []
    return pairs([*rows, ("by", statement.author)], WIDTH - 2, indent=0)


def volume_of(face: Face, shows: str) -> str:
    """The volume that digits of a face stand for: "9,402,700 US gal"."""
    volume = face_count(face, shows) * face.one_count.number
    return f"{plain(volume, grouped=True)} {WORDS.get(face.one_count.unit, face.one_count.unit)}"


def content_shown(content: Content) -> Content:
    """Without what says nothing."""
    return {name: value for name, value in content.items() if value not in (None, "", False)}
