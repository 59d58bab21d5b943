"""The wells that a point's water belongs to: one, or several by shares that sum to the whole on every date."""

from collections.abc import Iterator, Sequence
from fractions import Fraction

from tallywell.service.permits import Stated, judge_sums
from tallywell.service.site import Share, WellShare
from tallywell.service.site_forms import PointForm, WellShareForm
from tallywell.written import fields
from tallywell.written.forms import fill, label_of
from tallywell.written.located import Document, Path

GIVEN = ("share", "from", "to")


def wells_of(document: Document, name: str, form: PointForm) -> tuple[WellShare, ...]:
    """Empty where something is at fault, which is a problem in the document then."""
    path: Path = ("points", name)
    several = document.at((*path, "wells")) is not None
    if several and form.well is not None:
        what = f"{label_of((*path, 'wells'))} stands beside well"
        document.complain((*path, "wells"), what, "write one of the two", got="")
        return ()
    if several:
        return _several(document, name)
    if form.well is None:
        if document.at((*path, "well")) is None:
            what = f"{label_of(path)} says no well that it belongs to"
            document.complain(path, what, 'write "well: north", or "wells" with their shares', got="", key=True)
        return ()
    return (WellShare(form.well),) if _is_well(document, (*path, "well"), form.well) else ()


def _several(document: Document, name: str) -> tuple[WellShare, ...]:
    path: Path = ("points", name, "wells")
    written = document.at(path)
    if not isinstance(written, list) or not written:
        document.complain(path, f"{label_of(path)} must be a list", "such as [{well: north, share: 2/3}, ...]")
        return ()
    found = list(_each(document, path, written))
    known = [one for one in found if one is not None]
    if len(known) == len(found):
        shares = [Stated(at, Share(name, one.share, one.starts, one.ends)) for at, one in known]
        judge_sums(document, shares, "well")
    return tuple(one for _, one in known)


def _each(document: Document, path: Path, written: Sequence[object]) -> Iterator[tuple[Path, WellShare] | None]:
    for k, one in enumerate(written):
        at: Path = (*path, k)
        if isinstance(one, str):
            yield (at, WellShare(one)) if _is_well(document, at, one) else None
        else:
            yield _share(document, at)


def _share(document: Document, at: Path) -> tuple[Path, WellShare] | None:
    form = fill(WellShareForm, document, at)
    if form.from_ and form.to and form.from_ >= form.to:
        what = f"{label_of((*at, 'to'))} is not after from"
        document.complain((*at, "to"), what, "to is the first day that no longer belongs")
        return None
    given = dict(zip(GIVEN, (form.share, form.from_, form.to), strict=True))
    at_fault = any(document.at((*at, key)) is not None and got is None for key, got in given.items())
    if form.well is None or not _is_well(document, (*at, "well"), form.well) or at_fault:
        return None
    return at, WellShare(form.well, Fraction(1) if form.share is None else form.share, form.from_, form.to)


def _is_well(document: Document, path: Path, well: str) -> bool:
    """Where the site file has no wells at all, that is said once and not of every point."""
    wells = document.group(("wells",))
    if well not in wells and "wells" in document.group(()):
        document.complain(path, f"{label_of(path)} is not among the wells", fields.suggestion(well, wells))
    return well in wells
