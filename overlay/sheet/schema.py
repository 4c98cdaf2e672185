"""The day sheet's JSON Schema, for editors that complete and check TOML as it is written.

Make the shipped file anew with ``python -m overlay.sheet.schema``.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from overlay.sheet.model import DaySheet

SCHEMA_FILE = Path(__file__).with_name("day.schema.json")
DIALECT = "https://json-schema.org/draft/2020-12/schema"


def json_schema() -> dict[str, Any]:
    """The schema (draft 2020-12), made from the models that validate the sheet."""
    return {"$schema": DIALECT, **_editable(DaySheet.model_json_schema())}


def schema_text() -> str:
    """What the shipped file holds."""
    return json.dumps(json_schema(), indent=2, ensure_ascii=False) + "\n"


def _editable(node: Any) -> Any:
    """Without the null that TOML does not have, and without titles that only repeat the key."""
    if isinstance(node, list):
        return [_editable(item) for item in node]
    if not isinstance(node, dict):
        return node
    node = {key: _editable(item) for key, item in node.items()}
    choices = node.get("anyOf")
    if isinstance(choices, list):
        real = [choice for choice in choices if choice != {"type": "null"}]
        if len(real) == 1:
            del node["anyOf"]
            node = {**real[0], **node}
    if node.get("default", "") is None or isinstance(node.get("default"), dict):
        del node["default"]
    if isinstance(node.get("title"), str) and "properties" not in node:
        del node["title"]
    return node


if __name__ == "__main__":
    SCHEMA_FILE.write_text(schema_text(), encoding="utf-8")
