"""A site that was accepted is read again from the record alone, its variants of maps included."""

import json
from hashlib import sha256
from pathlib import Path

from tallywell.readings.facts import Event
from tallywell.service.accepted import accepted_site
from tallywell.service.accepting import accepted_content
from tallywell.service.files import load_site
from tallywell.store.append import open_writer
from tallywell.store.canonical import canonical
from tallywell.store.database import RecordFolder
from tallywell.store.query import Reader

MAPS = Path(__file__).parents[2] / "configs" / "maps"
SITE = """\
site: Quail Flat Orchard
time_zone: America/Denver
lines:
  field: {port: /dev/serial/by-path/field, baud: 19200, parity: even}
wells:
  north: {called: Well 1}
points:
  litres: {well: north, line: field, address: 17, map: maps/tee-k.yaml, every: 1 min, pipe: 8 in}
  gallons: {well: north, line: field, address: 18, map: maps/tee-k-2.yaml, every: 1 min, pipe: 8 in}
"""


def test_a_variant_is_read_again_when_no_file_is_left(tmp_path: Path) -> None:
    (tmp_path / "maps").mkdir()
    for name in ("tee-k.yaml", "tee-k-2.yaml"):
        (tmp_path / "maps" / name).write_bytes((MAPS / name).read_bytes())
    file = tmp_path / "quail.yaml"
    file.write_text(SITE)
    loaded = load_site(file)
    assert loaded.site is not None, loaded.problems
    folder = RecordFolder(loaded.record)
    folder.create()
    writer = open_writer(folder, "0.0.1", "boot-1")
    content = accepted_content(loaded, writer, {})
    writer.append([Event(writer.next_seq(), writer.run.id, 1, 1, "accepted", canonical(content))])
    writer.close()
    for path in (file, *(tmp_path / "maps").iterdir()):
        path.unlink()

    with Reader(folder) as reader:
        accepted = accepted_site(reader)
        event = reader.last_accepted()
    assert accepted.site == loaded.site
    assert event is not None
    hashes = json.loads(event.content)["maps"]
    assert hashes == {name: sha256(text.encode()).hexdigest() for name, text in loaded.maps.items()}
    assert sorted(hashes) == ["maps/tee-k-2.yaml", "maps/tee-k.yaml"]
