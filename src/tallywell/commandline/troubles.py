"""The troubles of a simulated line, as typed after `--trouble` and as listed."""

import textwrap
from difflib import get_close_matches

from tallywell.commandline.site import called_wrongly, point_named
from tallywell.service.site import AnyLine, Line, Site
from tallywell.simulator.trouble import RECIPES, Befalls, Recipe, Trouble

WIDTH = 100


def troubles_asked(texts: list[str], site: Site) -> dict[str, list[Trouble]]:
    """By line, the troubles that `RECIPE[:POINT][:RATE]` ask for; a wrong one ends the command with 2.

    A recipe for all lines is played where it can be: not all come through a host.
    """
    found: dict[str, list[Trouble]] = {name: [] for name in site.lines}
    for text in texts:
        name, *rest = text.split(":")
        recipe = _recipe(name)
        point = rest.pop(0) if rest and (rest[0] in site.points or not rest[0].isdigit()) else None
        rate = _rate(text, rest)
        line = None if point is None else point_named(site, point).line
        address = None if point is None or recipe.befalls is Befalls.LINE else site.points[point].address
        try:
            trouble = Trouble(recipe, address, rate)
        except ValueError as wrong:
            raise called_wrongly(f"--trouble {text}: {wrong}") from None
        able = [of_line for of_line in (site.lines if line is None else [line]) if _comes(recipe, site.lines[of_line])]
        if not able:
            raise called_wrongly(f"--trouble {text}: {_not_there(recipe, point)}")
        for of_line in able:
            found[of_line].append(trouble)
    return found


def _comes(recipe: Recipe, line: AnyLine) -> bool:
    return isinstance(line, Line) or line.framing.value in recipe.through


def _not_there(recipe: Recipe, point: str | None) -> str:
    where = "every line of this site leads through a host" if point is None else f"{point} is on a line through a host"
    there = f"with framing {' or '.join(sorted(recipe.through))}" if recipe.through else "on no such line"
    return f"{where}; {recipe.name} can be played on serial lines, and {there}"


def _recipe(name: str) -> Recipe:
    if name in RECIPES:
        return RECIPES[name]
    near = get_close_matches(name, RECIPES, n=1)
    meant = f"did you mean {near[0]!r}?" if near else "`tallywell simulate --list-troubles` says which there are"
    raise called_wrongly(f"there is no trouble {name!r}; {meant}")


def _rate(text: str, rest: list[str]) -> int | None:
    if not rest:
        return None
    if len(rest) > 1 or not rest[0].isdecimal():
        raise called_wrongly(f"--trouble {text}: write RECIPE, RECIPE:POINT, RECIPE:RATE or RECIPE:POINT:RATE")
    return int(rest[0])


def in_words(trouble: Trouble) -> str:
    """One line about a trouble at work."""
    whom = "" if trouble.address is None else f" at address {trouble.address}"
    return f"{trouble.recipe.name}{whom}, {how_often(trouble.recipe, trouble.often)}"


def how_often(recipe: Recipe, often: int) -> str:
    return "always" if recipe.always else f"{often} {recipe.befalls.value}"


def told_as(recipe: Recipe) -> str:
    """How a poll that it befalls is told."""
    return " or ".join(recipe.told_as) or "a good reading"


def through(recipe: Recipe) -> str:
    """On which lines it can be played."""
    return {0: "serial lines only", 1: "not with framing tcp", 2: "any line"}[len(recipe.through)]


def listing() -> str:
    """Every recipe: its name, how often it strikes and where, how a poll is told, and what it plays."""
    parts = []
    for recipe in RECIPES.values():
        parts.append(f"{recipe.name} ({how_often(recipe, recipe.rate)}; {through(recipe)}): {told_as(recipe)}")
        parts += textwrap.wrap(recipe.plays, WIDTH, initial_indent="    ", subsequent_indent="    ")
    return "\n".join(parts)
