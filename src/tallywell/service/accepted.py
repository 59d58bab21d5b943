"""The site as the record knows it: the text that was accepted last, never the file on the disk."""

import json
from collections.abc import Mapping
from dataclasses import dataclass, field

from tallywell.readings.problems import EdgeFailure
from tallywell.service.site import Site
from tallywell.service.site_file import parse_site
from tallywell.store.query import Reader


@dataclass(frozen=True, slots=True)
class Accepted:
    """A site with the sha256 (hexadecimal) of its text and of its maps' texts, by name as written in the site file."""

    site: Site
    site_file: str
    maps: Mapping[str, str] = field(hash=False)


def accepted_site(reader: Reader) -> Accepted:
    """The newest accepted site. EdgeFailure where the record has none yet, or where its text is at fault."""
    event = reader.last_accepted()
    if event is None:
        raise EdgeFailure(
            "the record has accepted no site file yet",
            hint="`tallywell run` takes the site file in",
        )
    content = json.loads(event.content)
    maps: dict[str, str] = content["maps"]
    texts = {name: _text(reader, sha256) for name, sha256 in maps.items()}
    site, problems = parse_site(_text(reader, content["site"]), content["file"], texts.__getitem__, ahead=False)
    if site is None:
        first = next(str(problem) for problem in problems if not problem.warning)
        raise EdgeFailure(
            f"the site file on record no longer reads without fault: {first}",
            hint="`tallywell check` the site file, and start `tallywell run` so that it takes it in",
        )
    return Accepted(site, content["site"], maps)


def _text(reader: Reader, sha256: str) -> str:
    text = reader.text_by_hash(bytes.fromhex(sha256))
    if text is None:
        raise EdgeFailure(f"the record lacks the text {sha256[:12]} that it accepted", hint="put back your last copy")
    return text.content
