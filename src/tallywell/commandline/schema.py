"""Print the JSON Schema of a file format, made of what the program itself takes, so that an editor can complete a
register map or a site file and underline what is wrong.

Name the printed file in the first line of yours: # yaml-language-server: $schema=register-map.schema.json. An editor
that knows YAML and JSON Schema follows it. What hangs together across keys is not in a schema: check tells that.
"""

import argparse

TYPE_CHECKING = False  # as in typing, whose import the help would wait for
if TYPE_CHECKING:
    from typing import Any

SUMMARY = "what an editor needs to complete and underline a map or a site file"
KINDS = ("map", "site")


def arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("kind", choices=KINDS, help="map: a register map; site: a site file")


def run(options: argparse.Namespace) -> int:
    print(schema_text(options.kind), end="")
    return 0


def schema_text(kind: str) -> str:
    """As it is printed and committed."""
    import json

    return json.dumps(_map() if kind == "map" else _site(), indent=2, ensure_ascii=False) + "\n"


def _map() -> "dict[str, Any]":
    from tallywell.registers.based_on import OF_ITS_OWN
    from tallywell.registers.map_forms import MapForm
    from tallywell.written.schema import schema_with_base

    own = [key for key in OF_ITS_OWN if key != "without"]
    says = "What the registers of one meter model mean."
    return schema_with_base(MapForm, "Register map", says, base="based_on", own=own, only="without")


def _site() -> "dict[str, Any]":
    from tallywell.service.site_forms import SiteForm
    from tallywell.written.schema import schema_of

    return schema_of(SiteForm, "Site file", "One site: its lines, wells, points and permits.")
