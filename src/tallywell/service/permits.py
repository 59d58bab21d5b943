"""The permits of a site file, and whether the shares of each point sum to the whole on every date."""

import itertools
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import date
from fractions import Fraction

from tallywell.ledger.authorised import Authorised
from tallywell.service.site import Permit, Share
from tallywell.service.site_forms import PermitForm, ShareForm
from tallywell.written import fields
from tallywell.written.forms import fill, label_of
from tallywell.written.located import Document, Path, quoted

ALWAYS = (date.min, date.max)
USUAL_START = (1, 1)


@dataclass(frozen=True, slots=True)
class Stated:
    """One share and where it is written."""

    path: Path
    share: Share


def permits_of(document: Document) -> dict[str, Permit]:
    """Every permit that can be read; the rest, and what does not sum to the whole, are problems in the document."""
    written = document.at(("permits",))
    if written is None:
        return {}
    if not isinstance(written, dict):
        document.complain(("permits",), "permits must be a group of keys", "write one key for each permit")
        return {}
    forms = {name: fill(PermitForm, document, ("permits", name)) for name in written}
    stated = {name: tuple(_shares(document, ("permits", name, "points"))) for name in written}
    for name, form in forms.items():
        _judge_name(document, name)
        _judge_amount(document, name, form)
    judged = _open_points(document, stated)
    judge_sums(document, [one for shares in stated.values() for one in shares if one and one.share.point not in judged])
    return {name: permit for name, form in forms.items() if (permit := _permit(name, form, stated[name])) is not None}


def rule_of(permit: Permit) -> Authorised | None:
    """What the ledger reckons with; None without an amount. Its years count from `authorised_from`, where that is."""
    if permit.authorised is None:
        return None
    carried = Fraction(0) if permit.carry_over is None else permit.carry_over.si
    return Authorised(permit.authorised.si, permit.authorised_years, carried, permit.carry_years)


def _permit(name: str, form: PermitForm, stated: tuple[Stated | None, ...]) -> Permit | None:
    if form.kind is None:
        return None
    shares = tuple(one.share for one in stated if one is not None)
    return Permit(
        name,
        form.called or name,
        form.kind,
        shares,
        form.authorised,
        form.year_starts or USUAL_START,
        form.authorised_years or 1,
        form.authorised_from,
        form.carry_over,
        0 if form.carry_over is None else form.carry_years or 1,
    )


def _judge_amount(document: Document, name: str, form: PermitForm) -> None:
    """What is said of an amount has the amount beside it, and a stretch of years a day on which it begins."""
    path: Path = ("permits", name)
    there = document.group(path)
    needs = {"authorised_years": "authorised", "carry_over": "authorised", "carry_years": "carry_over"}
    needs["authorised_from"] = "authorised_years"
    for key, needed in needs.items():
        if key in there and needed not in there:
            what = f"{label_of((*path, key))} has no meaning without {needed}"
            document.complain((*path, key), what, f"add {needed}, or remove it", got="", key=True)
    if (form.authorised_years or 1) > 1 and "authorised_from" not in there:
        what = f"{label_of((*path, 'authorised_years'))} does not say from when"
        document.complain((*path, "authorised_years"), what, "add authorised_from, the first day of the first year")
    starts, first = form.year_starts or USUAL_START, form.authorised_from
    if first is not None and (first.month, first.day) != starts:
        what = f"{label_of((*path, 'authorised_from'))} is not the first day of a year of the permit"
        document.complain(
            (*path, "authorised_from"), what, f"year_starts is {starts[0]:02}-{starts[1]:02}; correct one"
        )


def _judge_name(document: Document, name: str) -> None:
    """A permit's name is the agency's own number, so it may hold blanks and strokes."""
    if not name.strip() or len(name) > 100 or not name.isprintable():
        what = f"{label_of(('permits', name))} has no usable name"
        document.complain(("permits", name), what, "write its number as the agency does", got="", key=True)


def _shares(document: Document, path: Path) -> Iterator[Stated | None]:
    """Each share; None for one at fault, which leaves the sum of its point open."""
    written = document.at(path)
    if written is None:
        if path[-1] in document.group(path[:-1]):
            document.complain(path, f"{label_of(path)} must be a list", "such as [north-discharge]")
        return
    if not isinstance(written, list):
        document.complain(path, f"{label_of(path)} must be a list", "such as [north-discharge]")
        return
    if not written:
        document.complain(path, f"{label_of(path)} must name at least one point", "add one", got="")
    for k, one in enumerate(written):
        yield _short(document, (*path, k), one) if isinstance(one, str) else _long(document, (*path, k))


def _short(document: Document, path: Path, point: str) -> Stated | None:
    return Stated(path, Share(point, Fraction(1))) if _is_point(document, path, point) else None


def _long(document: Document, path: Path) -> Stated | None:
    form = fill(ShareForm, document, path)
    known = form.point is not None and _is_point(document, (*path, "point"), form.point)
    if form.from_ and form.to and form.from_ >= form.to:
        at = (*path, "to")
        what = f"{label_of(at)} is not after from"
        document.complain(at, what, "to is the first day that no longer belongs")
        return None
    at_fault = any(document.at((*path, key)) is not None and got is None for key, got in _given(form).items())
    if not known or at_fault or form.point is None:
        return None
    return Stated(path, Share(form.point, Fraction(1) if form.share is None else form.share, form.from_, form.to))


def _given(form: ShareForm) -> Mapping[str, object]:
    return {"share": form.share, "from": form.from_, "to": form.to}


def _is_point(document: Document, path: Path, point: str) -> bool:
    points = document.group(("points",))
    if point not in points:
        document.complain(path, f"{label_of(path)} is not among the points", fields.suggestion(point, points))
    return point in points


def _open_points(document: Document, stated: Mapping[str, tuple[Stated | None, ...]]) -> set[str]:
    """Points of whose shares one is at fault: whether they sum to the whole cannot be said yet."""
    points = document.group(("points",))
    left_open: set[str] = set()
    for name, shares in stated.items():
        for k in (k for k, one in enumerate(shares) if one is None):
            path: Path = ("permits", name, "points", k)
            point = document.at(path) if isinstance(document.at(path), str) else document.at((*path, "point"))
            left_open |= {point} if isinstance(point, str) and point in points else set(points)
    return left_open


def judge_sums(document: Document, stated: list[Stated], whose: str = "permit") -> None:
    """Every cubic metre of a point belongs to its permits once, and to its wells: on every date on which any applies,
    they sum to 1.
    """
    for point in dict.fromkeys(one.share.point for one in stated):
        of_point = [one for one in stated if one.share.point == point]
        spans = _spans([one.share for one in of_point])
        for start, end in spans:
            applying = [one for one in of_point if one.share.applies(start)]
            whole = sum((one.share.share for one in applying), Fraction(0))
            if applying and whole != 1:
                _complain_sum(document, point, applying, whole, (start, end))
                break  # the dates after it mostly repeat the same slip
        _judge_holes(document, (point, whose), of_point, spans)


def _spans(shares: list[Share]) -> list[tuple[date, date]]:
    """The spans of dates between all starts and ends: within one nothing changes."""
    edges = {ALWAYS[0], ALWAYS[1]}
    edges |= {day for share in shares for day in (share.starts, share.ends) if day is not None}
    ordered = sorted(edges)
    return list(itertools.pairwise(ordered))


def _complain_sum(
    document: Document, point: str, applying: list[Stated], whole: Fraction, span: tuple[date, date]
) -> None:
    since = "from the beginning" if span[0] == date.min else f"from {span[0]}"
    last = applying[-1].path
    at = (*last, "share") if document.at((*last, "share")) is not None else last
    others = ", ".join(f"line {document.place(one.path).line}" for one in applying[:-1])
    beside = f" (the others are on {others})" if others else ""
    what = f"{label_of(last)}: the shares of point {quoted(point)} {since} sum to {whole}, not to 1{beside}"
    document.complain(at, what, "correct the shares or their dates; a date in to belongs no more", got="")


def _judge_holes(document: Document, of: tuple[str, str], stated: list[Stated], spans: list[tuple[date, date]]) -> None:
    """Days between two permits that belong to none are allowed, and mostly a `to` that was meant as the last day."""
    covered = [any(one.share.applies(start) for one in stated) for start, _ in spans]
    for k in range(1, len(spans) - 1):
        if not covered[k] and any(covered[:k]) and any(covered[k + 1 :]):
            start, end = spans[k]
            ending = next(one for one in stated if one.share.ends == start)
            point, whose = of
            what = f"point {quoted(point)} has no {whose} from {start} to before {end}"
            do = "to is the first day that no longer belongs"
            document.complain((*ending.path, "to"), what, do, warning=True)
