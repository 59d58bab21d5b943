"""Site file text -> Site and every fault in it and in its register maps, each with its place. Pure: texts come as arguments."""

from collections.abc import Callable

from tallywell.readings.problems import Problem
from tallywell.service.site import Display, Line, Parity, Permit, PermitKind, Point, Share, Site, Well

__all__ = ["Display", "Line", "Parity", "Permit", "PermitKind", "Point", "Share", "Site", "Well", "parse_site"]


def parse_site(text: str, file: str, read_map: Callable[[str], str]) -> tuple[Site | None, tuple[Problem, ...]]:
    """Read a site file. `read_map` gives a map's text by its name as written there; it may raise OSError or ValueError
    (a KeyError of a dict of stored texts is taken alike). The site is None when a Problem that is no warning was found.
    """
    raise NotImplementedError
