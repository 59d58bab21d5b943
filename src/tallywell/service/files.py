"""Edge: a site file and its maps from the disk."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path

from tallywell.readings.problems import Problem
from tallywell.service.site import Site


@dataclass(frozen=True, slots=True)
class Loaded:
    """A site file as found. `maps`: map texts by name as written in the site file. `record`: the record's folder.

    `site` is None when something is at fault; `text` is "" when the file itself could not be read.
    """

    site: Site | None
    problems: tuple[Problem, ...]
    text: str
    maps: Mapping[str, str] = field(hash=False)
    record: Path


def load_site(path: Path) -> Loaded:
    """Read a site file and the maps it names. Never raises for what is on the disk: each fault is a Problem."""
    raise NotImplementedError
